"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field

from toeline.datafile import DataFile, Table


class MeasureToe(Table):
    """Table ``toe``."""

    correlation: float
    bias_u: float
    bias_share: float
    noise_share: float
    noise_most: float
    noise_net: float
    far: float


class MeasureEnd(Table):
    """Table ``end``."""

    u: float


class MeasureStart(Table):
    """Table ``start``."""

    nose: float


class MeasureNoise(Table):
    """Table ``noise``."""

    pairs: int
    seed: int


class MeasureEdge(Table):
    """Table ``edge``."""

    window: float


class MeasureFigures(DataFile, file="measures.toml"):
    """The figures of data/measures.toml, where each is explained."""

    toe: MeasureToe
    end: MeasureEnd
    start: MeasureStart
    noise: MeasureNoise
    edge: MeasureEdge


class RunFigures(Table):
    """Where a score along the seam makes a run: it begins above ``low``, must reach ``high``, gaps are bridged."""

    smooth: float
    core: float
    low: float
    high: float
    bridge: float
    least: float


class ToeFaultFigures(RunFigures):
    """A fault along a toe: looked for from ``inner`` to ``outer`` beside it."""

    inner: float
    outer: float
    u_width: float
    u_end: float


class Undercut(ToeFaultFigures):
    """Table ``undercut``."""

    alike: float
    both_toes: float
    continuous: float


class PoorRestart(RunFigures):
    """Table ``poor_restart``."""

    ends: float


class SpotFigures(Table):
    """Where a map makes a spot: it begins above ``low`` and must reach ``high``."""

    low: float
    high: float
    smooth: float
    least: float


class SizedSpot(SpotFigures):
    """A spot whose diameter is given."""

    u: float
    u_relative: float

    def u_edge(self, diameter: float) -> float:
        """Standard uncertainty of a diameter of so many mm by the spot's own edge."""
        return math.hypot(self.u, self.u_relative * diameter)


class Spatter(SizedSpot):
    """Table ``spatter``."""

    u_alike: float
    counted: float
    missed: float
    missed_share: float


class UnfilledCrater(SizedSpot):
    """Table ``crater_unfilled``."""

    sure: float
    reach: float


class CraterCrack(Table):
    """Table ``crater_crack``."""

    high: float
    smooth: float
    least: float


class IrregularWidth(Table):
    """Table ``irregular_width``."""

    window: float
    share: float
    smooth: float


class IrregularSurface(Table):
    """Table ``irregular_surface``."""

    variation: float
    coarse: float


class IndicationFigures(DataFile, file="indications.toml"):
    """The figures of data/indications.toml, where each is explained."""

    undercut: Undercut
    overlap: ToeFaultFigures
    spatter: Spatter
    pore: SizedSpot
    slag_left: SizedSpot
    arc_strike: SizedSpot
    crater_unfilled: UnfilledCrater
    crater_crack: CraterCrack
    poor_restart: PoorRestart
    irregular_width: IrregularWidth
    irregular_surface: IrregularSurface


class DetectionFigures(DataFile, file="detection.toml"):
    """How far the photo's reading goes as evidence."""

    toe: float
    toe_share: float
    place_mm: float
    crack_px: float
    seen: dict[str, float]


class RepeatabilityFigures(DataFile, file="repeatability.toml"):
    """The tool's own spread by measure, in its unit; the data file says how it was counted."""

    s: dict[str, Annotated[float, Field(gt=0)]]
