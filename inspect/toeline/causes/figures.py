"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile


class RankingFigures(DataFile, file="ranking.toml"):
    """The figures of data/ranking.toml, where each is explained."""

    silent_above: float
    least: float
    most: int
    evidence: float
    alike: float
    together: float
    worth_asking: float
    source: str
