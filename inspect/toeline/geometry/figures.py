"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile, Table


class CameraPrior(Table):
    """Table ``prior``."""

    diagonal_35mm: float
    u_focal_exif: float
    focal_unknown_35mm: float
    u_focal_unknown: float
    u_centre: float
    u_k1: float
    u_k2: float


class CameraCheck(Table):
    """Table ``check``."""

    max_focal_disagreement: float


class CameraCalibrate(Table):
    """Table ``calibrate``."""

    min_photos: int
    min_markers: int
    min_tilt_spread_deg: float
    max_rms_px: float
    u_focal_refocus: float
    u_centre_refocus_px: float


class CameraFigures(DataFile, file="camera.toml"):
    """The figures of data/camera.toml, where each is explained."""

    prior: CameraPrior
    check: CameraCheck
    calibrate: CameraCalibrate


class CardOutline(Table):
    """Table ``card``."""

    width: float
    height: float
    dictionary: str
    marker_side: float
    marker_modules: int
    centres: tuple[tuple[float, float], ...]
    ids: dict[str, tuple[int, ...]]


class CardCheckLine(Table):
    """Table ``check_line``."""

    y: float
    x: tuple[float, float]
    length: float
    tick: float
    ruler_step: float


class CardGrey(Table):
    """Table ``grey``."""

    side: float
    y: float
    x: tuple[float, ...]
    reflectance: tuple[float, ...]


class CardFolding(Table):
    """Table ``folding``."""

    gap: float
    window: tuple[float, float]


class CardPrint(Table):
    """Table ``print``."""

    scale_range: tuple[float, float]
    u_reading: float
    resolution: float
    u_unmeasured: float
    thickness: float
    u_thickness: float
    u_known_thickness: float


class CardFind(Table):
    """Table ``find``."""

    search_side_px: int
    quick_windows_px: tuple[int, ...]
    thorough_windows_px: tuple[int, ...]
    min_marker_px: int
    min_contrast: float
    most_markers: int
    samples_per_side: int
    min_share_of_side: float
    profile_px: tuple[float, float]
    u_edge_floor_px: float
    u_lost_corner_px: float
    u_gain_px: float


class CardFigures(DataFile, file="card.toml"):
    """The figures of data/card.toml, where each is explained."""

    card: CardOutline
    check_line: CardCheckLine
    grey: CardGrey
    folding: CardFolding
    paper: dict[str, tuple[float, float]]
    print: CardPrint
    find: CardFind


class FilletCards(Table):
    """Table ``cards``."""

    u_print_apart: float
    u_height_apart: float
    u_flat_mm: float
    min_between_normals: float
    angle_range: tuple[float, float]
    max_misfit: float
    max_misfit_px: float
    bent_misfit_px: float
    max_root_reach: float


class FilletFold(Table):
    """Table ``fold``."""

    tolerance_mm: float
    loose_mm: float


class FilletAngle(Table):
    """Table ``angle``."""

    tolerance: float


class FilletOneCard(Table):
    """Table ``one_card``."""

    u_angle: float
    u_root_mm: float


class FilletToe(Table):
    """Table ``toe``."""

    min_sight: float


class FilletFigures(DataFile, file="fillet.toml"):
    """The figures of data/fillet.toml, where each is explained."""

    cards: FilletCards
    fold: FilletFold
    angle: FilletAngle
    one_card: FilletOneCard
    toe: FilletToe
