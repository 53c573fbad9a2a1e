"""Reference pages written from the code: messages, measures and the Python interface, each beside what it comes from.

``python -m toeline.validation.pages`` writes them anew; a test fails while one is behind.
"""

from __future__ import annotations

import inspect
import re
from importlib.resources import files
from pathlib import Path

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


def _plain(annotation: object) -> str:
    """An annotation as it was written."""
    return getattr(annotation, "__forward_arg__", None) or str(annotation)


#: Each page's place in the package.
PAGES = {
    "problems.md": messages_page,
    "measures/measures.md": measures_page,
    "interface.md": interface_page,
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
