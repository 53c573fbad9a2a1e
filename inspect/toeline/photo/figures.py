"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile, Table


class Graded(Table):
    """A value from which there is a warning, and one from which a photo is stopped."""

    warning: float
    stop: float


class PhotoFile(Table):
    """Table ``file``."""

    max_bytes: int
    max_megapixels: int
    min_side_px: int
    max_aspect: float
    max_scans: int
    max_decode_mb: int
    seconds: float
    seconds_per_megapixel: float


class PhotoUsability(Table):
    """Table ``usability``."""

    px_per_mm: Graded
    tilt_deg: Graded
    fillet_tilt_deg: Graded
    blur_mm: Graded
    grain_ratio: Graded
    grain_px_per_mm: float
    blown_share: Graded
    blown_level: float
    dark_share: Graded
    dark_level: float
    dark_median: Graded
    bead_width_mm: float
    scene_blown_share: float
    ends_share: float
    afar_side_px: int
    scene_side_px: int


class PhotoCardUse(Table):
    """Table ``card_use``."""

    far_mm: float
    misfit: Graded


class PhotoFigures(DataFile, file="photo.toml"):
    """The figures of data/photo.toml, where each is explained."""

    file: PhotoFile
    usability: PhotoUsability
    card_use: PhotoCardUse
