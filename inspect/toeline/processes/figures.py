"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile


class WorkerFigures(DataFile, file="worker.toml"):
    """What a process that measures photos may take."""

    max_mb: int
    further_mb: int
    seconds: float
    seconds_per_megapixel: float
    seconds_per_pair: float
