"""The one loader of the data files that hold limits, geometry and tuned figures."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, ClassVar, Self, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from toeline.errors import DataFileError
from toeline.text import unseen


def read_toml(text: str) -> dict[str, Any]:
    """What a TOML text says; ``tomllib.TOMLDecodeError`` also where it is nested without end, a number too long, or a
    text holds what commands a terminal or turns the writing about."""
    try:
        said = tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError("it is nested too deeply") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:  # an integer of thousands of digits
        raise tomllib.TOMLDecodeError(str(error)) from None
    if any(unseen(sign) for sign in _signs(said) - set("\n\t")):
        raise tomllib.TOMLDecodeError("a text in it holds a sign that nobody sees, such as a control character")
    return said


def _signs(said: dict[str, Any]) -> set[str]:
    """Every sign of every text and key, however deep."""
    signs: set[str] = set()
    left: list[Any] = [said]
    while left:
        match left.pop():
            case str(text):
                signs |= set(text)
            case dict(table):
                left += [*table, *table.values()]
            case list(row):
                left += row
    return signs


def text_of(name: str) -> str:
    """The text of a file of the package's ``data`` folder."""
    return (files("toeline") / "data" / name).read_text("utf-8")


class Table(BaseModel):
    """One table of a data file: frozen, and without a key that nobody reads."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class DataFile(Table):
    """A whole data file as a typed model: ``class CameraFigures(DataFile, file="camera.toml")``."""

    file_name: ClassVar[str]

    def __init_subclass__(cls, *, file: str, **rest: Any) -> None:
        super().__init_subclass__(**rest)
        cls.file_name = file

    @classmethod
    def read(cls) -> Self:
        """The shipped file, read and checked once.

        Raises:
            DataFileError: it is not what the model says; the text names the line.
        """
        figures: Self = _read(cls)
        return figures

    @classmethod
    def parse(cls, text: str) -> Self:
        """The figures in a TOML ``text``. Raises as :meth:`read`."""
        try:
            return cls.model_validate(tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            raise DataFileError(f"{cls.file_name}: this is not valid TOML: {error}.") from None
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(map(str, first["loc"]))
            raise DataFileError(
                f"{cls.file_name}, line {line_of(text, first['loc'])}: {where}: {first['msg']}."
            ) from None


_Model = TypeVar("_Model", bound=DataFile)


@cache
def _read(model: type[_Model]) -> _Model:
    return model.parse(text_of(model.file_name))


_HEADER = re.compile(r"\s*\[(\[?)([^\[\]]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[\w-]+|"[^"]*"|'[^']*'""")


def line_of(text: str, where: tuple[int | str, ...]) -> int:
    """The line (from 1) of a TOML ``text`` nearest to a place such as ``("line", 3, "limit")``: its key, else its
    table, else the first."""
    table: tuple[int | str, ...] = ()
    lists: dict[tuple[int | str, ...], int] = {}
    best, depth = 1, 0
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            table = _table(_parts(header[2]), bool(header[1]), lists)
            here = table
        elif key := _KEY.match(line):
            here = (*table, *_parts(key[1]))
        else:
            continue
        common = min(len(here), len(where))
        if here[:common] == where[:common] and common > depth:
            best, depth = number, common
    return best


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def _table(parts: list[str], one_of_many: bool, lists: dict[tuple[int | str, ...], int]) -> tuple[int | str, ...]:
    """Where a table's header stands: names, and behind a name of many tables which of them it is."""
    where: tuple[int | str, ...] = ()
    for nth, part in enumerate(parts, 1):
        where = (*where, part)
        if one_of_many and nth == len(parts):
            lists[where] = lists.get(where, -1) + 1
        if where in lists:
            where = (*where, lists[where])
    return where
