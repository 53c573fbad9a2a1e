"""Reference pages written from the code: messages, measures and the Python interface, each beside what it comes from.

``python -m toeline.validation.pages`` writes them anew; a test fails while one is behind.
"""

from __future__ import annotations

import inspect
import re
from importlib import import_module
from importlib.resources import files
from pathlib import Path
from types import ModuleType

from pydantic import BaseModel

import toeline
from toeline.measures.registry import MEASURES
from toeline.problems import REGISTRY
from toeline.settings import Said

_UNIT = {"1": "", "deg": "°"}


def messages_page() -> str:
    """What toeline may say about a photo: every problem with its severity and what to do."""
    rows = [f"| `{k.code}` | {k.severity} | {k.text} | {k.do} |" for k in REGISTRY.values()]
    return _page(
        "What toeline may say about a photo",
        "A `stop` means: there is nothing to rely on. A `warning` and a `note` say what makes the measures less sure.",
        ("code", "severity", "what is wrong", "what to do"),
        rows,
    )


def measures_page() -> str:
    """Every measure with its unit, its definition and its source."""
    rows = [
        f"| `{m.id}` | {m.title} | {_UNIT.get(m.unit, m.unit)} | {m.definition} | {m.source} |"
        for m in MEASURES.values()
    ]
    return _page(
        "What toeline measures",
        "Each is a value with its expanded uncertainty U (k = 2) and a budget, or says why it cannot be had. Left and "
        "right are seen looking along the travel. The body leaves out one width at each end.",
        ("name", "title", "unit", "definition", "source"),
        rows,
    )


def interface_page() -> str:
    """The Python interface from its docstrings: what a call takes, what a model holds."""
    parts = ["# toeline in Python", ""]
    for name in toeline.__all__:
        if name.startswith("__"):
            continue
        thing = getattr(toeline, name)
        call = re.sub(r"'", "", str(inspect.signature(thing))) if inspect.isroutine(thing) else ""
        parts += [f"## `toeline.{name}{call}`", "", inspect.getdoc(thing) or "", ""]
        if inspect.isclass(thing) and issubclass(thing, BaseModel):
            parts += [f"- `{field}`: `{_plain(kind)}`" for field, kind in thing.__annotations__.items()] + [""]
    parts += ["## Keywords (`**said`)", "", inspect.getdoc(Said) or "", ""]
    parts += [f"- `{word}`: `{_plain(kind)}`" for word, kind in Said.__annotations__.items()]
    return "\n".join([*parts, ""])


#: The rooms whose names others may call, in the order of the line.
ROOMS = (
    "photo",
    "criteria",
    "judgement",
    "causes",
    "report",
    "batch",
    "record",
    "coupons.coupons",
    "validation.accuracy",
)


def reference_page() -> str:
    """Every public name of the rooms, from the docstrings beside the code."""
    parts = [
        "# Reference",
        "",
        "Names that may be called, room by room, with what their docstrings say. The few that most need are in the",
        "[interface](interface.md); [scripts to start from](../../demo_images/scripts/README.md).",
        "",
    ]
    for room in ROOMS:
        module = import_module(f"toeline.{room}")
        parts += [f"## `toeline.{room}`", "", inspect.getdoc(module) or "", ""]
        for name in _public(module):
            parts += _entry(getattr(module, name), name)
    parts += ["## `toeline.result`", "", "What a result is made of.", ""]
    for name, thing in vars(import_module("toeline.result")).items():
        if inspect.isclass(thing) and thing.__module__ == "toeline.result" and thing.__name__ == name:
            parts += _entry(thing, name)
    return "\n".join(parts)


def _public(module: ModuleType) -> list[str]:
    """The names a module gives: those it says, else those of its own that begin with a letter."""
    said: list[str] | None = getattr(module, "__all__", None)
    if said is not None:
        return sorted(said)
    own = (name for name, thing in vars(module).items() if getattr(thing, "__module__", "") == module.__name__)
    return sorted(name for name in own if not name.startswith("_"))


def _entry(thing: object, name: str) -> list[str]:
    """A name with its signature, what it says of itself, its fields and its methods; a value is left out."""
    if inspect.isroutine(thing):
        return [f"### `{name}{_signature(thing)}`", "", inspect.getdoc(thing) or "", ""]
    if not inspect.isclass(thing):
        return []
    out = [f"### `{name}`", "", inspect.getdoc(thing) or "", ""]
    if issubclass(thing, BaseModel):
        out += [f"- `{field}`: `{_plain(kind)}`" for field, kind in inspect.get_annotations(thing).items()] + [""]
    for method, made in vars(thing).items():
        if method.startswith("_"):
            continue
        if isinstance(made, property):
            out += [f"- **{method}**: {_first(made.fget)}"]
        elif isinstance(made, classmethod) or inspect.isfunction(made):
            called = made.__func__ if isinstance(made, classmethod) else made
            out += [f"- **`{method}{_signature(called)}`**: {_first(called)}"]
    return [*out, ""]


def _signature(call: object) -> str:
    """A call's signature as it was written."""
    return re.sub(r"'|self, |cls, |(?<=\()(self|cls)(?=\))", "", str(inspect.signature(call)))  # type: ignore[arg-type]


def _first(thing: object) -> str:
    """The first paragraph of a docstring, on one line."""
    return " ".join((inspect.getdoc(thing) or "").split("\n\n")[0].split())


def _plain(annotation: object) -> str:
    """An annotation as it was written."""
    return getattr(annotation, "__forward_arg__", None) or str(annotation)


#: Each page's place in the package.
PAGES = {
    "problems.md": messages_page,
    "measures/measures.md": measures_page,
    "interface.md": interface_page,
    "reference.md": reference_page,
}


def _page(title: str, about: str, head: tuple[str, ...], rows: list[str]) -> str:
    bars = f"| {' | '.join(head)} |\n|{' --- |' * len(head)}"
    return "\n".join([f"# {title}", "", about, "", bars, *rows, ""])


def write_pages(folder: Path) -> None:
    """Write every page under the package's ``folder``."""
    for name, page in PAGES.items():
        (folder / name).write_text(page(), "utf-8")


if __name__ == "__main__":
    write_pages(Path(str(files("toeline"))))
