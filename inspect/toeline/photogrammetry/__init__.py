"""Height and depth from several photos of one bead: stands, surface, grooves, quantities."""

from toeline.photogrammetry.outcome import (
    Outcome,
    ReadPhotos,
    check_count,
    fewest_for_depth,
    measure_relief,
    most_photos,
    read_all,
    with_relief,
)
from toeline.photogrammetry.sides import SIDES, SidesSeen, sides_seen
from toeline.photogrammetry.surface_file import check_surface_name, save_surface

__all__ = [
    "SIDES",
    "Outcome",
    "ReadPhotos",
    "SidesSeen",
    "check_count",
    "check_surface_name",
    "fewest_for_depth",
    "measure_relief",
    "most_photos",
    "read_all",
    "save_surface",
    "sides_seen",
    "with_relief",
]
