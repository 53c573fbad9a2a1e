"""Reading criteria sets: the shipped ones by id, a user's own by path, each with its digest and what it rests on.

A file may hold several ``columns`` (quality levels, kinds of load); any value of a line may then be a table by
column, and every column is a set of its own, ``<file id>-<column>`` in small letters. A file may rest on a ``base``:
its lines then change, add to or take away from the base's.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from toeline.criteria.model import Criteria, Line
from toeline.datafile import line_of, read_toml
from toeline.errors import CriteriaError

_LARGEST = 1_000_000
_HEAD = ("title", "edition", "about", "base", "scope", "girth", "no_row", "conditions", "cautions")
_FILE_KEYS = {"id", "standard", "columns", "short", "inherited_confidence", "line", *_HEAD}
_LINE_KEYS = {*Line.model_fields, "columns", "short", "remove"}


@dataclass(frozen=True, slots=True)
class _File:
    """One criteria file as it stands."""

    name: str
    text: str
    data: dict[str, Any]
    digest: str

    def error(self, message: str, where: tuple[int | str, ...] = ()) -> CriteriaError:
        return CriteriaError(f"{self.name}, line {line_of(self.text, where)}: {message}.")


def _read(name: str, raw: bytes) -> _File:
    if len(raw) > _LARGEST:
        raise CriteriaError(f"{name} is larger than a criteria file can be.")
    try:
        text = raw.decode("utf-8")
        data = read_toml(text)
    except UnicodeDecodeError:
        raise CriteriaError(f"{name}, line 1: this is not a UTF-8 text file.") from None
    except tomllib.TOMLDecodeError as error:
        raise CriteriaError(f"{name}: this is not valid TOML: {error}.") from None
    file = _File(name, text, data, hashlib.sha256(raw).hexdigest())
    _check_shape(file)
    return file


def _check_shape(file: _File) -> None:
    """The keys and tables that stand before columns are chosen; the lines' values are checked after."""
    for key in file.data:
        if key not in _FILE_KEYS:
            raise file.error(f"'{key}' is not a key of a criteria file", (key,))
    for key in ("id", "standard"):
        if not isinstance(file.data.get(key), str):
            raise file.error(f"'{key}' must be there and be text", (key,))
    lines = file.data.get("line", [])
    if not isinstance(lines, list) or not all(isinstance(line, dict) for line in lines):
        raise file.error("lines are written as [[line]] tables", ("line",))
    columns = file.data.get("columns", [])
    if not isinstance(columns, list) or not all(isinstance(column, str) for column in columns):
        raise file.error("'columns' is a list of names", ("columns",))
    seen: set[str] = set()
    for index, line in enumerate(lines):
        for key in line:
            if key not in _LINE_KEYS:
                raise file.error(f"'{key}' is not a key of a line", ("line", index, key))
        if not isinstance(line.get("id"), str):
            raise file.error("a line needs an 'id'", ("line", index))
        if line["id"] in seen:
            raise file.error(f"the id '{line['id']}' is used twice", ("line", index, "id"))
        seen.add(line["id"])
        for column in line.get("columns", columns):
            if column not in columns:
                raise file.error(f"'{column}' is not one of the file's columns", ("line", index, "columns"))


@cache
def _shipped() -> dict[str, _File]:
    """Shipped files by their own id."""
    folder = resources.files("toeline") / "data" / "criteria"
    paths = sorted((path for path in folder.iterdir() if path.name.endswith(".toml")), key=lambda path: path.name)
    files = (_read(path.name, path.read_bytes()) for path in paths)
    return {file.data["id"]: file for file in files}


def _sets(file: _File) -> Iterator[tuple[str, str | None]]:
    """The ids a file gives, each with its column."""
    for column in file.data.get("columns") or [None]:
        yield (file.data["id"] if column is None else f"{file.data['id']}-{column.lower()}"), column


def list_criteria() -> tuple[Criteria, ...]:
    """Every shipped set, by id."""
    ids = sorted(name for file in _shipped().values() for name, _ in _sets(file))
    return tuple(load_criteria(name) for name in ids)


@cache
def _load_shipped(name: str) -> Criteria | None:
    for file in _shipped().values():
        for set_id, column in _sets(file):
            if set_id == name:
                return _build(file, set_id, column)
    return None


def load_criteria(id_or_path: str | Path) -> Criteria:
    """A shipped set by its id, or the set in a TOML file; ``CriteriaError`` names the file and the line."""
    shipped = _load_shipped(str(id_or_path))
    if shipped is not None:
        return shipped
    path = Path(id_or_path)
    try:
        raw = path.read_bytes()
    except OSError:
        known = ", ".join(name for file in _shipped().values() for name, _ in _sets(file))
        raise CriteriaError(
            f"There is no criteria set '{id_or_path}'; give one of {known}, or the path of a TOML file."
        ) from None
    file = _read(path.name, raw)
    sets = list(_sets(file))
    if len(sets) > 1:
        raise file.error("a set of one's own has one column; leave 'columns' out", ("columns",))
    criteria = _build(file, *sets[0])
    if _load_shipped(criteria.id) not in (None, criteria):
        raise file.error(f"'{criteria.id}' is the id of a shipped set; give your own set an id of its own", ("id",))
    return criteria


def is_shipped(criteria: Criteria) -> bool:
    """Whether this is a shipped set, unchanged."""
    return _load_shipped(criteria.id) == criteria


def _build(file: _File, set_id: str, column: str | None) -> Criteria:
    raw, digest = _resolved(file, column)
    criteria_lines = tuple(_line(file, data, raw.get("conditions", {})) for data in raw["line"].values())
    head = {key: raw[key] for key in _HEAD if key in raw}
    try:
        return Criteria(id=set_id, digest=digest, lines=criteria_lines, **head)
    except ValidationError as error:
        problem = error.errors(include_url=False)[0]
        name = f"'{problem['loc'][0]}': " if problem["loc"] else ""
        raise file.error(f"{name}{_message(problem['msg'])}", tuple(problem["loc"])) from None


def _resolved(file: _File, column: str | None) -> tuple[dict[str, Any], str]:
    """Head and lines by id, the column chosen and the base underneath; and the digest over all files read."""
    own = file.data
    columns = own.get("columns", [])
    head = {key: _pick(own[key], column, columns) for key in _HEAD if key in own}
    lines: dict[str, dict[str, Any]] = {}
    digest = file.digest
    if "base" in own:
        base_id = own["base"] if column is None else f"{own['base']}-{column.lower()}"
        base_file, base_column = _base(file, base_id)
        base, base_digest = _resolved(base_file, base_column)
        digest = hashlib.sha256(f"{digest}{base_digest}".encode()).hexdigest()
        for key in ("scope", "girth", "no_row", "conditions", "cautions"):
            if key in base:
                head.setdefault(key, base[key])
        head["base"] = base_id
        lines = {name: _inherited(line, own) for name, line in base["line"].items()}
    for index, given in enumerate(own.get("line", [])):
        name = given["id"]
        if column is not None and column not in given.get("columns", columns):
            continue
        if given.get("remove"):
            if lines.pop(name, None) is None:
                raise file.error(f"there is no line '{name}' to remove", ("line", index, "remove"))
            continue
        picked = {key: _pick(value, column, columns) for key, value in given.items()}
        chosen = {key: value for key, value in picked.items() if key in Line.model_fields and value is not None}
        short = given.get("short", False)
        if short is True or (isinstance(short, list) and column in short):
            chosen = _short(file, index, chosen)
        if "limit" in chosen and "per_length" not in chosen:
            lines.get(name, {}).pop("per_length", None)
            lines.get(name, {}).pop("us", None)
        if "source" in chosen:
            chosen["source"] = f"{own['standard']}, {chosen['source']}"
        lines[name] = {**lines.get(name, {}), **chosen, "_at": index}
    return {**head, "line": lines}, digest


def _base(file: _File, base_id: str) -> tuple[_File, str | None]:
    for other in _shipped().values():
        for set_id, column in _sets(other):
            if set_id == base_id and other.data["id"] != file.data["id"]:
                return other, column
    raise file.error(f"the base '{base_id}' is not one of the shipped sets", ("base",))


def _pick(value: Any, column: str | None, columns: list[str]) -> Any:
    """The column's value where ``value`` is a table by column; None where it has none for it."""
    if column is not None and isinstance(value, dict) and value and all(key in columns for key in value):
        return value.get(column)
    return value


def _short(file: _File, index: int, line: dict[str, Any]) -> dict[str, Any]:
    """The line with its limit allowed over a short imperfection only, as the file defines short."""
    if "short" not in file.data:
        raise file.error("the file has no [short] table that says what short is", ("line", index, "short"))
    return {**line, "limit": "none", "per_length": {**file.data["short"], "limit": line.get("limit")}}


def _inherited(line: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """A base's line under another set: no surer than that set says an unchanged line is."""
    least = own.get("inherited_confidence")
    bare = {key: value for key, value in line.items() if key != "_at"}
    if least is None:
        return bare
    changed = max(least, str(line.get("confidence", "A")))
    source = f"{own['standard']}, unchanged from {line['source']}"
    return {**bare, "confidence": changed, "source": source}


def _line(file: _File, data: dict[str, Any], conditions: dict[str, str]) -> Line:
    index = data.get("_at")
    place: tuple[int | str, ...] = () if index is None else ("line", index)
    bare = {key: value for key, value in data.items() if key != "_at"}
    try:
        line = Line.model_validate(bare)
    except ValidationError as error:
        problem = error.errors(include_url=False)[0]
        where = tuple(problem["loc"])
        name = f"line '{bare['id']}'" + (f", '{where[0]}'" if where else "")
        raise file.error(f"{name}: {_message(problem['msg'])}", (*place, *where)) from None
    if line.only_if and line.only_if.removeprefix("not ") not in conditions:
        raise file.error(
            f"line '{line.id}' asks for '{line.only_if}', which is not under [conditions]", (*place, "only_if")
        )
    return line


def _message(text: str) -> str:
    return text.removeprefix("Value error, ").rstrip(".")


def differences(criteria: Criteria, base: Criteria) -> tuple[str, ...]:
    """What ``criteria`` changes against ``base``, one sentence a line changed, added or left out."""
    ours = {line.id: line for line in criteria.lines}
    theirs = {line.id: line for line in base.lines}
    return tuple(_compare(ours, theirs))


def _compare(ours: dict[str, Line], theirs: dict[str, Line]) -> Iterable[str]:
    for name, line in ours.items():
        if name not in theirs:
            yield f"{name}: added, {line.limit}"
            continue
        before, after = theirs[name].model_dump(), line.model_dump()
        for key in Line.model_fields:
            if before[key] != after[key] and key not in ("source", "confidence"):
                yield f"{name}: {key} {_shown(before[key])} became {_shown(after[key])}"
    for name in theirs:
        if name not in ours:
            yield f"{name}: left out"


def _shown(value: Any) -> str:
    match value:
        case None:
            return "nothing"
        case dict():
            return ", ".join(f"{key} {_shown(inner)}" for key, inner in value.items() if inner is not None)
        case tuple() | list():
            return ", ".join(str(item) for item in value)
    return str(value)
