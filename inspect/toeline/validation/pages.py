"""Reference pages written from the code: messages, measures and the Python interface, each beside what it comes from.

``python -m toeline.validation.pages`` writes them anew; a test fails while one is behind.
"""

from __future__ import annotations

import inspect
from importlib.resources import files
from pathlib import Path

import toeline
from toeline.measures.registry import MEASURES
from toeline.problems import REGISTRY

_UNIT = {"1": "", "deg": "°"}


def messages_page() -> str:
    """What toeline may say about a photo: every problem with its severity and what to do."""
    rows = [f"| `{k.code}` | {k.severity} | {k.text} | {k.do} |" for k in REGISTRY.values()]
    return _page(
        "What toeline may say about a photo",
        "A `stop` means: do not use these measures; none is given. A `warning` and a `note` say what makes them less sure.",
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
        "Each is a value with its expanded uncertainty U (k = 2) and a budget, or says why it cannot be had. Left and right "
        "are seen looking along the travel. The body leaves out one width at each end.",
        ("name", "title", "unit", "definition", "source"),
        rows,
    )


def interface_page() -> str:
    """The Python interface from its docstrings."""
    parts = ["# toeline in Python", ""]
    for name in toeline.__all__:
        thing = getattr(toeline, name)
        if name.startswith("__"):
            continue
        call = str(inspect.signature(thing)) if inspect.isroutine(thing) else ""
        parts += [
            f"## `toeline.{name}`",
            "",
            *([f"`{name}{call}`", ""] if call else []),
            inspect.getdoc(thing) or "",
            "",
        ]
    return "\n".join(parts)


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
