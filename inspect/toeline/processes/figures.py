"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile


class WorkerFigures(DataFile, file="worker.toml"):
    """The figures of data/worker.toml, where each is explained."""

    max_mb: int
    seconds: float
    seconds_per_megapixel: float
