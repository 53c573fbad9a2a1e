"""The folder list shows the line: a room imports only from rooms before it."""

from __future__ import annotations

import ast
from pathlib import Path

import toeline

ROOT = Path(toeline.__file__).parent
#: The rooms and the modules of the hall, in the order of the line.
ORDER = (
    "errors",
    "text",
    "datafile",
    "files",
    "processes",
    "result",
    "units",
    "uncertainty",
    "names",
    "problems",
    "photo",
    "geometry",
    "trace",
    "measures",
    "photogrammetry",
    "usability",
    "document",
    "criteria",
    "evidence",
    "judgement",
    "causes",
    "settings",
    "pipeline",
    "record",
    "batch",
    "report",
    "coupons",
    "validation",
    "cli",
)


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else "__init__"


def arrows() -> set[tuple[str, str, str]]:
    """(room, room it imports from, file) over the whole library, imports inside functions too."""
    found = set()
    for path in ROOT.rglob("*.py"):
        here = path.relative_to(ROOT).parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "toeline":
                names = [node.module] if "." in node.module else [f"toeline.{alias.name}" for alias in node.names]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names if alias.name.startswith("toeline.")]
            found |= {(here, room_of(name), str(path.relative_to(ROOT))) for name in names}
    return {arrow for arrow in found if arrow[0] != arrow[1] and arrow[1] != "__version__" and arrow[0] != "__init__"}


def test_every_room_stands_in_the_order() -> None:
    rooms = {path.relative_to(ROOT).parts[0].removesuffix(".py") for path in ROOT.rglob("*.py")} - {"__init__"}
    assert rooms <= set(ORDER), rooms - set(ORDER)


def test_a_room_imports_only_from_rooms_before_it() -> None:
    upward = [arrow for arrow in arrows() if ORDER.index(arrow[0]) <= ORDER.index(arrow[1])]
    assert not upward, upward


def app_arrows() -> dict[str, set[str]]:
    """Which modules of the app a module imports, wherever in it."""
    root = ROOT.parents[1] / "app" / "toeline_app"
    arrows: dict[str, set[str]] = {}
    for path in root.rglob("*.py"):
        here = ".".join(path.relative_to(root).with_suffix("").parts)
        arrows[here] = set()
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.ImportFrom) or (node.module or "").split(".")[0] != "toeline_app":
                continue
            inner = (node.module or "").split(".", 1)[1:]
            arrows[here] |= {".".join([*inner, alias.name]) for alias in node.names} | set(inner)
    return {here: {there for there in found if there in arrows} for here, found in arrows.items()}


def test_the_app_has_no_circle() -> None:
    left = app_arrows()
    left.pop("__init__")  # only points to how it is started
    while free := [name for name, found in left.items() if not found & left.keys()]:
        for name in free:
            del left[name]
    assert not left, f"modules that import each other: {sorted(left)}"
