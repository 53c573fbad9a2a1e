"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file."""

from __future__ import annotations

from typing import Literal

from toeline.datafile import DataFile, Table

#: What the reader may be shown of a band beside the band as it is: with its dark parts lighter, larger, left and right
#: exchanged, and both.
Look = Literal["lighter", "enlarged", "mirrored", "mirrored_enlarged"]


class BeadFinder(Table):
    """Table ``finder``."""

    even_level: float
    side_px: int
    close_side_px: int
    close_reach: float
    threshold: float
    least_area_px: int
    least_length_px: float
    least_slenderness: float
    bend_widths: float
    join_gap_widths: float
    join_angle_deg: float
    weaker_share: float


class BeadBand(Table):
    """Table ``band``."""

    px_per_mm: float
    near_mm: float
    near_toe_mm: float
    reach_mm: float
    lap_mm: float
    beyond_mm: float
    longest_mm: float
    widest_mm: float
    nominal_width: float
    wander_widths: float
    wander_mm: tuple[float, float]
    askew_deg: float
    curved_widths: tuple[float, float]
    usual_width: float
    side_mm: float
    room_mm: float
    snap_mm: float
    grow_mm: float
    grow_from_mm: float
    around_mm: float
    odds_share: float
    sure_share: float
    resizes: int
    resize: float
    width_shares: tuple[float, ...]


class BeadGiven(Table):
    """Table ``given``."""

    inside_mm: float
    along_mm: float
    least: float
    sure: float


class BeadSecondLook(Table):
    """Table ``second_look``."""

    above: float
    looks: tuple[Look, ...]
    lighter: float
    enlarged: float


class BeadTrace(Table):
    """Table ``trace``."""

    station_mm: float
    smooth_mm: float
    jump_mm: float
    edge_mm: float
    mid_mm: float
    evidence: float
    clear: float
    gap_mm: float
    sideways: float
    stride_px: int
    leant: tuple[float, float]
    lean: float
    leant_mm: float
    fuzzy_mm: float
    fuzzy_times: float
    bridge_widths: float
    swell: float
    swell_most: float
    end_swell: float
    tip_share: float
    u_floor_mm: float
    u_per_blur: float
    doubted: tuple[float, float]
    u_doubted: float
    cut_mm: float


class BeadEnd(Table):
    """Table ``end``."""

    middle: float
    smooth_mm: float
    within: tuple[float, float]
    beyond: tuple[float, float]


class BeadBelief(Table):
    """Table ``belief``."""

    toes: float
    toes_loose: float
    widths_loose: float
    through: float
    most_traces: int
    ends: float
    other: float
    named: float
    neighbour: float
    neighbour_face: float
    neighbour_within: tuple[float, float]
    parted: float
    parted_within: float
    rival_length: float


class BeadCovered(Table):
    """Table ``covered``."""

    window_widths: float
    depth_widths: float
    depth_mm: float
    steep: float
    flank_mm: float
    least_mm: float
    join_widths: float


class BeadTravel(Table):
    """Table ``travel``."""

    middle: float
    clear: float
    known: float


class BeadFigures(DataFile, file="bead.toml"):
    """The figures of data/bead.toml, where each is explained."""

    finder: BeadFinder
    band: BeadBand
    given: BeadGiven
    second_look: BeadSecondLook
    trace: BeadTrace
    end: BeadEnd
    belief: BeadBelief
    covered: BeadCovered
    travel: BeadTravel


class RippleFace(Table):
    """Table ``face``."""

    edge: float
    rows: int
    strips: int
    smooth: float
    scales: tuple[float, ...]
    usual_pitch: float
    floor: float
    crest_weight: float
    frequencies: tuple[float, float]
    pad: float
    taper: float


class RipplePitch(Table):
    """Table ``pitch``."""

    least: float
    most: float
    band: float


class RippleCrest(Table):
    """Table ``crest``."""

    lowest: float
    highest: float
    middle: float
    widest: float
    narrowest: float
    places: int
    uneven: float
    left_out: float
    u: float
    count_u: float
    uneven_u: float
    variation_u: float
    fewest: int
    share: float
    charted: float
    told: float
    told_contrast: float
    coarsest: float


class RippleRise(Table):
    """Table ``rise``."""

    most: float
    step: float
    vees: tuple[float, float]
    rounds: int
    u: float
    u_pitch: float
    height: float
    u_height: float
    unviewed_u: float


class RippleFigures(DataFile, file="ripples.toml"):
    """The figures of data/ripples.toml, where each is explained."""

    face: RippleFace
    pitch: RipplePitch
    crest: RippleCrest
    rise: RippleRise
