"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from typing import Literal

from toeline.datafile import DataFile, Table


class ContinuityRule(Table):
    """What one standard asks of a qualified welder, by process or by position."""

    title: str
    by: Literal["process", "position"]
    says: str
    source: str


class ContinuityFigures(DataFile, file="continuity.toml"):
    """How long a qualification stays in force after the last weld."""

    months: int
    soon_days: int
    rule: tuple[ContinuityRule, ...]
