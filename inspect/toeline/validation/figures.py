"""The data file of this room as a frozen, typed model; what each figure means stands beside it in the file."""

from __future__ import annotations

from typing import Literal

from toeline.datafile import DataFile, Table


class Target(Table):
    """A figure that has to reach a floor, and the aim beyond it."""

    name: str
    key: str
    floor: float
    aim: float
    better: Literal["high", "low"]


class InsideU(Table):
    """The share of errors that has to lie inside U, at least and at most."""

    floor: tuple[float, float]


class ReliefScene(Table):
    """What is asked for in scenes of several photos."""

    undercut_least: float


class AccuracyFigures(DataFile, file="accuracy.toml"):
    """What the tool must reach on photos with truth."""

    figure: tuple[Target, ...]
    inside: InsideU
    relief_scene: ReliefScene
    relief: tuple[Target, ...]
