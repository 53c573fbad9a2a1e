"""The one loader of the data files that hold limits, geometry and tuned figures."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, ClassVar, Self, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from toeline.errors import DataFileError


@cache
def load(name: str) -> dict[str, Any]:
    """The TOML file ``name`` of the package's ``data`` folder, read once; treat it as read-only."""
    return tomllib.loads(text_of(name))


def read_toml(text: str) -> dict[str, Any]:
    """What a TOML text says; ``tomllib.TOMLDecodeError`` also where it is nested without end or a number too long."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError("it is nested too deeply") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:  # an integer of thousands of digits
        raise tomllib.TOMLDecodeError(str(error)) from None


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


def line_of(text: str, where: tuple[int | str, ...]) -> int:
    """The line (from 1) of a TOML ``text`` nearest to a place such as ``("line", 3, "limit")``: table, then key."""
    lines = text.splitlines()
    start = 0
    tables = [n for n, line in enumerate(lines) if where and re.match(rf"\[\s*{where[0]}\s*\]", line.strip())]
    if len(where) >= 2 and tables:
        start, where = tables[0], where[1:]
    elif len(where) >= 2 and isinstance(where[1], int):
        headers = [n for n, line in enumerate(lines) if re.match(rf"\[\[\s*{where[0]}\s*\]\]", line.strip())]
        start = headers[where[1]] if where[1] < len(headers) else 0
        where = where[2:]
    for number in range(start, len(lines)):
        if number > start and lines[number].lstrip().startswith("["):
            break
        if where and re.match(rf"\s*{re.escape(str(where[0]))}\s*(\.|=)", lines[number]):
            return number + 1
    return start + 1
