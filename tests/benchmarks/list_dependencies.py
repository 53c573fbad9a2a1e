"""What comes with toeline: every package that is installed, its size, and why; ``inspect/dependencies.md``.

    python tests/benchmarks/list_dependencies.py

The reasons are those in ``pyproject.toml``, the rest and the sizes are read from the environment that this runs in.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterable, Iterator
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "inspect" / "dependencies.md"
EXTRAS = {
    "app": "The web app",
    "postgresql": "A record on PostgreSQL",
    "cluster": "An archive measured by many machines",
    "agreement": "Do two raters agree?",
}
_SECTION = re.compile(r"^([a-z-]+) = \[")
_PACKAGE = re.compile(r'"([A-Za-z0-9_.-]+)[^"]*"')


def reasons(section: str) -> dict[str, str]:
    """The comment beside or above each requirement of a section of ``pyproject.toml``, by the package's name."""
    found: dict[str, str] = {}
    here, above = "", ""
    for line in (ROOT / "pyproject.toml").read_text("utf-8").split("[project.scripts]")[0].splitlines():
        if opened := _SECTION.match(line):
            here, above = opened[1], ""
        said = line.partition("#")[2].strip() if "#" in line else ""
        if line.strip().startswith("#"):
            above = said
        elif here == section and (named := _PACKAGE.search(line)):
            found[canonicalize_name(named[1])] = said or above
    return found


def asked(extra: str | None = None) -> list[Requirement]:
    """What ``pyproject.toml`` asks for, by itself or with an extra."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return [Requirement(one) for one in (project["optional-dependencies"][extra] if extra else project["dependencies"])]


def brought(wanted: Iterable[Requirement]) -> dict[str, str]:
    """Every package that these requirements bring, with the one that brings it, itself where it was asked for."""
    waiting = [(one, canonicalize_name(one.name)) for one in wanted]
    found = {name: name for _, name in waiting}
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        one, name = waiting.pop(0)
        key = (name, frozenset(one.extras))
        if key in seen:
            continue
        seen.add(key)
        try:
            needed = [Requirement(line) for line in metadata.requires(name) or ()]
        except metadata.PackageNotFoundError:
            continue
        for need in needed:
            marks = [{"extra": extra} for extra in (*one.extras, "")]
            if need.marker is None or any(need.marker.evaluate(mark) for mark in marks):
                below = canonicalize_name(need.name)
                found.setdefault(below, name)
                waiting.append((need, below))
    return found


def size_mb(name: str) -> float:
    """The installed size of a package's own files, MB; 0 where it is not installed."""
    try:
        kept = metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return 0.0
    paths = (Path(str(kept.locate_file(file))) for file in kept.files or ())
    return sum(path.stat().st_size for path in paths if path.is_file()) / 1e6


def table(extra: str | None, without: Iterable[str]) -> Iterator[str]:
    """The rows of what comes by itself or with an extra, the largest first."""
    why, found = reasons(extra or "dependencies"), brought(asked(extra))
    mine = {name: by for name, by in found.items() if name not in set(without)}
    sizes = {name: size_mb(name) for name in mine}
    yield f"## {EXTRAS[extra]}: `toeline[{extra}]`" if extra else "## `pip install toeline`"
    yield ""
    yield f"{len(mine)} packages, {sum(sizes.values()):.0f} MB."
    yield ""
    yield "| package | MB | why |"
    yield "| --- | ---: | --- |"
    for name in sorted(mine, key=lambda one: (-sizes[one], one)):
        told = why.get(name) or f"comes with {mine[name]}"
        yield f"| {name} | {sizes[name]:.1f} | {told} |"
    yield ""


def page() -> str:
    """The whole page."""
    core = brought(asked())
    parts = [
        "# What comes with toeline",
        "",
        "Every package that is installed, with the size of its files and why it is there. Sizes are those of Linux on "
        f"x86-64 with Python {sys.version_info.major}.{sys.version_info.minor}; written by "
        "`python tests/benchmarks/list_dependencies.py`. An extra lists what it brings besides.",
        "",
        *table(None, ()),
    ]
    for extra in EXTRAS:
        parts += table(extra, core)
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
    sys.stdout.write(f"wrote {PAGE}\n")
