"""Results of a batch as one table, Parquet for the tools that read archives, and kept on the way there."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from toeline.batch.many import Measured
from toeline.errors import ReportError
from toeline.result import Result
from toeline.text import shown_path

if TYPE_CHECKING:
    import pandas as pd


def measured_frame(measured: Iterable[Measured]) -> pd.DataFrame:
    """One row a photo: its file, what is wrong with it, the outcome, each measure with its U, and the whole document.

    Measures carry their unit in the column's name, ``width_mean_mm`` and ``width_mean_U_mm``; none is nothing.
    """
    import pandas as pd

    return pd.DataFrame([_row(one) for one in measured]).convert_dtypes()


def _row(one: Measured) -> dict[str, Any]:
    row: dict[str, Any] = {"photo": shown_path(one.path or one.photo), "problem": one.problem}
    if one.result is None:
        return row
    result = one.result
    row |= {
        "photo_sha256": result.photo.sha256,
        "usable": result.photo.usable,
        "problems": " ".join(problem.code for problem in result.photo.problems),
        "bead_found": result.bead.found,
        "outcome": result.judgement.outcome if result.judgement else None,
        "beside": "; ".join(result.judgement.beside) if result.judgement else None,
        "indications": len(result.indications),
        "cause": result.causes[0].cause if result.causes else None,
    }
    for name, quantity in result.measures.items():
        unit = "" if quantity.unit == "1" else f"_{quantity.unit.replace('/', '_per_')}"
        row[f"{name}{unit}"] = quantity.value
        row[f"{name}_U{unit}"] = quantity.U
    return row | {"document": result.to_json(None)}


def write_parquet(measured: Iterable[Measured], path: Path) -> None:
    """Write the table as Parquet; the file is whole or not there.

    Raises:
        ReportError: pyarrow is missing, or the place cannot be written.
    """
    frame = measured_frame(measured)
    try:
        import pyarrow  # noqa: F401
    except ModuleNotFoundError:
        raise ReportError("Parquet needs pyarrow: install toeline[cluster].") from None
    partial = path.with_name(path.name + ".writing")
    try:
        frame.to_parquet(partial, index=False)
        os.replace(partial, path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise ReportError(f"{shown_path(path)} cannot be written ({error.strerror}).") from error


class Journal:
    """A file of measurements, one a line, that an interrupted batch goes on from. A :class:`~toeline.batch.Memory`.

    Each line is on disk before the next photo's; the last may be cut short by a kill, and its photo is measured again.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._where: dict[tuple[str, str], int] = {}
        self._file = path.open("ab+")
        self._file.seek(0)
        at = 0
        for line in self._file:
            if line.endswith(b"\n") and (key := _key(line)) is not None:
                self._where[key] = at
            at += len(line)
        if at and not line.endswith(b"\n"):
            self._file.write(b"\n")

    def measured(self, photo_sha256: str, settings: str) -> Result | None:
        """The result kept for these photo bytes and settings."""
        at = self._where.get((photo_sha256, settings))
        if at is None:
            return None
        self._file.seek(at)
        return Result.model_validate(json.loads(self._file.readline())["result"])

    def remember(self, photo_sha256: str, settings: str, result: Result) -> None:
        """Keep a result."""
        at = self._file.seek(0, os.SEEK_END)
        said = {"photo": photo_sha256, "settings": settings, "result": json.loads(result.to_json(None))}
        self._file.write(json.dumps(said).encode() + b"\n")
        self._file.flush()
        self._where[photo_sha256, settings] = at

    def close(self) -> None:
        """Let go of the file, which stays."""
        self._file.close()

    def remove(self) -> None:
        """The batch is through: remove the file."""
        self.close()
        self._path.unlink(missing_ok=True)

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()


def _key(line: bytes) -> tuple[str, str] | None:
    try:
        said = json.loads(line)
        return said["photo"], said["settings"]
    except (ValueError, KeyError, TypeError):
        return None
