"""The data file of this room as a frozen, typed model; what each figure means stands beside it in the file."""

from __future__ import annotations

from toeline.datafile import DataFile, Table


class ReliefChart(Table):
    """The grid along the bead."""

    step: float
    beside: float
    beyond: float


class ReliefStands(Table):
    """Which photos can be used together."""

    fewest: int
    most: int
    markers: int
    apart_deg: float
    lean_deg: float
    square_deg: float


class ReliefMap(Table):
    """The surface as the result document holds it."""

    along: float
    across: float
    beside: float


class ReliefJoint(Table):
    """Both cards of a fillet as one rigid pair."""

    u_corner_px: float


class ReliefFeature(Table):
    """What photos are compared by: log brightness, its detail over its own spread."""

    floor: float
    noise: float
    fine: float
    fine_px: float
    wide: float
    least: float
    bright: float
    dark: float


class ReliefRecognise(ReliefFeature):
    """Whether a photo shows the same bead, and the card where it lay."""

    step: float
    reach: float
    height: float
    alike_there: float
    alike: float
    moved: float


class ReliefTie(Table):
    """Photos tied by the plate beside the bead."""

    clear: float
    bare_share: float
    least_spread: float
    block_s: float
    block_t: float
    reach: float
    least: float
    u_match: float
    u_turn: float
    u_move: float
    fewest: int
    rounds: int


class ReliefCells(Table):
    """Blocks of grid places, and the window round each."""

    along: int
    across: int
    window_s: float
    window_t: float


class ReliefPairs(Table):
    """Which pairs of photos are believed at a place."""

    share: float
    fewest: int
    smooth_s: float
    smooth_t: float


class SectionStiff(Table):
    """What a change of the dome along the seam costs."""

    height: float
    power: float
    lean: float


class ReliefSection(Table):
    """The bead as domes."""

    least: float
    most: float
    least_fillet: float
    most_fillet: float
    reach: float
    beside: float
    step: float
    first_power: float
    powers: tuple[float, ...]
    leans: tuple[float, ...]
    usual_power: float
    unusual: float
    even: float
    along: float
    smooth: float
    memory: float
    rival: float
    ridge: float
    apart: float
    stretch: float
    stiff: SectionStiff


class ReliefRefine(Table):
    """The surface refined from the domes."""

    reach: float
    step: float
    pull: float
    pull_plate: float
    rise: float
    clear: float
    clear_s: float
    clear_t: float
    sure: float
    unsure: float
    smooth_s: float
    smooth_t: float
    along: float
    across: float


class ReliefU(Table):
    """Standard uncertainties of heights and depths."""

    agreement: tuple[float, ...]
    face: tuple[float, ...]
    plate: tuple[float, ...]
    groove_form: float
    groove_narrow: float
    groove_bottom: float
    few: dict[str, float]
    lean: float
    seen_share: float
    bias: float
    bias_fillet: float
    tie: float
    extreme: float
    peak: float
    u_peak: float
    strayed_share: float
    mean_share: float


class ReliefToeAngle(Table):
    """The angle between plate and face."""

    run: float
    along: float
    u_place: float


class ReliefCrater(Table):
    """Where a crater's hollow is looked for."""

    nearest: float
    furthest: float
    before: float
    core: float
    seen: float
    u_level: float
    u_form: float


class ReliefHollow(Table):
    """A crater as a hollow of its own."""

    nearest: float
    furthest: float
    before: float
    core: float
    places: tuple[float, ...]
    radii: tuple[float, ...]
    rim: float
    deepest: float
    depth_step: float
    penalty: float
    clearly: float
    middle: float


class ReliefFile(Table):
    """The surface as a file."""

    step: float
    section: float


class ReliefThroat(Table):
    """A fillet's throat from its root line."""

    along: float
    u_root: float


class ReliefGroove(Table):
    """Undercut along a toe."""

    fewest: int
    step: float
    inside: float
    outside: float
    toe_smooth: float
    deepest: float
    depth_step: float
    centres: tuple[float, ...]
    widths: tuple[float, ...]
    window: float
    every: float
    likely: float
    smooth: float
    sure: float
    told_within: float
    least: float


class ReliefFigures(DataFile, file="relief.toml"):
    """The figures of data/relief.toml, where each is explained."""

    chart: ReliefChart
    stands: ReliefStands
    map: ReliefMap
    joint: ReliefJoint
    recognise: ReliefRecognise
    tie: ReliefTie
    feature: ReliefFeature
    feature_fine: ReliefFeature
    feature_groove: ReliefFeature
    cells: ReliefCells
    pairs: ReliefPairs
    section: ReliefSection
    refine: ReliefRefine
    u: ReliefU
    toe_angle: ReliefToeAngle
    crater: ReliefCrater
    hollow: ReliefHollow
    file: ReliefFile
    throat: ReliefThroat
    groove: ReliefGroove
