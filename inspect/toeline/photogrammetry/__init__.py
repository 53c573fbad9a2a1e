"""Height and depth from several photos of one bead: stands, surface, grooves, quantities."""

from toeline.photogrammetry.outcome import (
    Outcome,
    ReadPhotos,
    check_count,
    measure_relief,
    read_all,
    with_relief,
)
from toeline.photogrammetry.surface_file import check_surface_name, save_surface

__all__ = [
    "Outcome",
    "ReadPhotos",
    "check_count",
    "check_surface_name",
    "measure_relief",
    "read_all",
    "save_surface",
    "with_relief",
]
