"""Many photos measured, on one machine or on a cluster, and what was measured kept as it comes."""

from toeline.batch.many import Measured, Memory, measure_many, measure_one, outcome, remembered
from toeline.batch.memory import KeptMeasurements, settings_digest
from toeline.batch.table import Journal, measured_frame, write_parquet
from toeline.batch.warm import warm_up

__all__ = [
    "Journal",
    "KeptMeasurements",
    "Measured",
    "Memory",
    "measure_many",
    "measure_one",
    "measured_frame",
    "outcome",
    "remembered",
    "settings_digest",
    "warm_up",
    "write_parquet",
]
