"""The result document: frozen, typed models of everything toeline says about one photo.

Lengths are mm and angles degrees; pixels are those of the upright photo (EXIF applied), pixel centres at whole
numbers, x right, y down. Unknown is ``None`` with a reason beside it, never 0 and never NaN.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA: Literal["toeline.result/1"] = "toeline.result/1"

Severity = Literal["note", "warning", "stop"]
Side = Literal["left", "right"]
SeenSide = Literal["above", "left", "right", "start", "end"]
Joint = Literal["bead", "butt", "fillet"]
Outcome = Literal["pass", "fail", "undecided"]
Confidence = Annotated[float, Field(ge=0, le=1)]
Point = tuple[float, float]

IndicationKind = Literal[
    "undercut",
    "overlap",
    "spatter",
    "pore",
    "crater_unfilled",
    "crater_crack",
    "poor_restart",
    "arc_strike",
    "slag_left",
    "irregular_width",
    "irregular_surface",
]

CauseId = Literal[
    "arc_too_long",
    "arc_too_short",
    "current_too_high",
    "current_too_low",
    "travel_too_fast",
    "travel_too_slow",
    "arc_blow",
    "wrong_work_angle",
    "wrong_travel_angle",
    "unfilled_crater",
    "poor_restart",
    "damp_or_dirty",
    "uneven_hand",
    "poor_start",
]


class Model(BaseModel):
    """Base of every model: immutable, no unknown keys, no NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class BudgetRow(Model):
    """One labelled contribution to an uncertainty: its standard uncertainty in the quantity's unit."""

    label: str
    distribution: Literal["normal", "rectangular", "triangular"]
    u: float


class Quantity(Model):
    """A value with its expanded uncertainty U (coverage factor k = 2), or ``value=None`` and ``why`` not."""

    value: float | None = None
    U: float | None = None
    k: float = 2.0
    unit: str = "mm"
    n: int | None = None
    budget: tuple[BudgetRow, ...] = ()
    why: str | None = None

    @property
    def known(self) -> bool:
        """Whether there is a value at all."""
        return self.value is not None


def unknown(why: str, unit: str = "mm") -> Quantity:
    """A quantity that cannot be had, with the reason."""
    return Quantity(why=why, unit=unit)


class Problem(Model):
    """Something the user should know or mend; ``code`` is a key of the registry in ``problems.py``."""

    code: str
    text: str
    severity: Severity


class PhotoInfo(Model):
    """What the file is and whether it can be used."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None = None
    camera: str | None = None
    usable: bool
    problems: tuple[Problem, ...] = ()


class Scale(Model):
    """How pixels became millimetres, or why they did not."""

    state: Literal["card", "none"]
    cards: tuple[Literal["A", "B"], ...] = ()
    print_scale: Quantity | None = None
    px_per_mm: Quantity | None = None
    tilt: Quantity | None = None
    camera_profile: str | None = None
    why: str | None = None


class Bead(Model):
    """Where the bead lies. Points in ``*_px`` are photo pixels; the others are plate mm (None without a card).

    What is per station goes with ``s``. A fillet's ``leg_base``, ``leg_upright``, theoretical ``throat`` and the
    throat's U (k = 2), mm, are None at its ends, which its measures leave out too, and empty where they are not known.
    """

    found: bool
    confidence: Confidence = 0.0
    joint: Joint = "bead"
    start: Point | None = None
    end: Point | None = None
    start_px: Point | None = None
    end_px: Point | None = None
    start_seen: bool = True
    end_seen: bool = True
    travel: Literal["known", "assumed"] = "assumed"
    travel_evidence: str = ""
    s: tuple[float, ...] = ()
    left_toe: tuple[Point, ...] = ()
    right_toe: tuple[Point, ...] = ()
    left_toe_px: tuple[Point, ...] = ()
    right_toe_px: tuple[Point, ...] = ()
    toe_confidence: tuple[float, ...] = ()
    leg_base: tuple[float | None, ...] = ()
    leg_upright: tuple[float | None, ...] = ()
    throat: tuple[float | None, ...] = ()
    throat_U: tuple[float | None, ...] = ()
    others_px: tuple[tuple[Point, Point], ...] = ()
    looks_like: str | None = None
    why: str | None = None


class Indication(Model):
    """One thing seen on the weld or beside it; ``from_``/``to`` are seam coordinates in mm, ``at`` plate mm."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)

    kind: IndicationKind
    iso6520: str | None = None
    side: Side | None = None
    plate: Literal["base", "upright"] | None = None
    from_: float | None = Field(default=None, alias="from")
    to: float | None = None
    size: Quantity | None = None
    at: Point | None = None
    at_px: Point | None = None
    confidence: Confidence
    why: str = ""
    depth: Quantity | None = None


class SeenFrom(Model):
    """Where a photo was taken from: its place among the photos, the side of the bead looking along travel (``above``:
    square on), and how far it leans from square on, degrees."""

    photo: int
    side: SeenSide
    lean: float


class ReliefMap(Model):
    """The surface as cross-sections: height ``[t][s]`` at places ``s_mm`` along the seam and ``t_mm``
    across it, positive to the left of travel; None where not seen, U with k = 2.

    ``plate_mm`` (t) is the bare plates' own height: 0 on one plate, on a fillet rising to both sides from the line
    where they meet (``t_mm`` 0), heights then being square to the line between the plates. ``left_mm`` and
    ``right_mm`` are where the toes lie at each ``s_mm``.
    """

    s_mm: tuple[float, ...]
    t_mm: tuple[float, ...]
    h_mm: tuple[tuple[float | None, ...], ...]
    U_mm: tuple[tuple[float | None, ...], ...]
    plate_mm: tuple[float, ...]
    left_mm: tuple[float | None, ...]
    right_mm: tuple[float | None, ...]


class ReliefAlong(Model):
    """Height and depth from several photos along the seam, at ``s_mm``; None where it was not seen.

    ``crown_mm`` is the greatest height of the face over the plate, on a fillet over the straight line between its toes;
    ``undercut_*_mm`` the greatest depth below the plate beside that toe. ``U_mm`` (k = 2) has the same three names.
    ``seen`` is the share of the face with a height. ``seen_from`` says where the photos that were used were taken from,
    ``missing`` from which sides none was; ``map`` is the surface.
    """

    state: Literal["measured", "none"]
    why: str | None = None
    seen: float | None = None
    s_mm: tuple[float, ...] = ()
    crown_mm: tuple[float | None, ...] = ()
    undercut_left_mm: tuple[float | None, ...] = ()
    undercut_right_mm: tuple[float | None, ...] = ()
    U_mm: dict[str, tuple[float | None, ...]] = {}
    seen_from: tuple[SeenFrom, ...] = ()
    missing: tuple[SeenSide, ...] = ()
    map: ReliefMap | None = None


class JudgedLine(Model):
    """One criteria line held against the evidence."""

    id: str
    of: str | None = None
    imperfection: str
    iso6520: str | None = None
    limit: str
    limit_value: float | None = None
    unit: str = "mm"
    measured: Quantity | None = None
    outcome: Outcome
    evidence: str
    why: str
    source: str
    at: float | None = None
    p_conform: Confidence | None = None
    p_wrong_acceptance: Confidence | None = None
    confidence: Literal["A", "B", "C", "P"] = "A"
    gauge: str | None = None


class Ask(Model):
    """One thing that would settle lines that are undecided: what kind of thing, and the sentence that asks for it.

    ``name`` is the keyword of a setting, the name of a condition, or that of a look or a reading, with the ``places``
    along the seam, mm, where to start. ``by_photos``: a relief from several photos would settle it as well.
    """

    kind: Literal["photo", "setting", "condition", "look", "gauge"]
    text: str = ""
    name: str | None = None
    places: tuple[float, ...] = ()
    by_photos: bool = False


class Judgement(Model):
    """The whole weld against one criteria set.

    ``needs`` says in sentences what would settle the rest, ``asks`` the same one by one. ``beside``: what has to stand
    beside the outcome wherever it is shown; ``unused``: what a person gauged or stated and no line went by.
    """

    criteria: str
    title: str
    edition: str
    digest: str
    differs_from: str | None = None
    differences: tuple[str, ...] = ()
    rule: Literal["guarded", "simple"]
    outcome: Outcome
    lines: tuple[JudgedLine, ...]
    needs: tuple[str, ...] = ()
    asks: tuple[Ask, ...] = ()
    cautions: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()


class Cause(Model):
    """A likely cause with its evidence and what to try on the next bead, first thing first."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)

    cause: CauseId
    likelihood: Confidence
    title: str = ""
    evidence: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    try_: tuple[str, ...] = Field(default=(), alias="try")
    told_apart_by: str | None = None


class Question(Model):
    """What the coach would like to know. ``input`` names what takes the answer: a welding setting, ``gauge.NAME``, or
    ``noticed`` (then ``answers`` are the states and what they say)."""

    sign: str
    ask: str
    input: str
    answers: dict[str, str] = {}


class Coaching(Model):
    """What to tell the welder: the one thing to do first, why, and what comes after it.

    ``first_is``: ``setting`` puts a setting right that cannot work, ``look`` finds out what tells two causes apart,
    ``change`` changes one thing on the next bead, ``keep`` goes on as before. ``also`` are the other causes' changes,
    ``failing`` what the criteria lines that fail call for besides.
    """

    first: str
    first_is: Literal["setting", "look", "change", "keep"]
    why: tuple[str, ...] = ()
    then: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    failing: tuple[str, ...] = ()
    asks: tuple[Question, ...] = ()
    repeat: str
    cautions: tuple[str, ...] = ()


class GaugeReading(Model):
    """What a person gauged or stated: name, value, where along the seam, mm (none: the whole weld), and who it was."""

    name: str
    value: float
    at: float | None = None
    U: float | None = None
    unit: str = "mm"
    by: str | None = None


class RunRanges(Model):
    """What a welding procedure allows for some of its passes; no ``passes`` are all of them, None is not limited.

    ``rods`` are designations, ``rod_mm`` core diameters, mm; pairs are the lowest and the highest.
    """

    passes: tuple[str, ...] = ()
    rods: tuple[str, ...] = ()
    rod_mm: tuple[float, ...] = ()
    current_a: tuple[float, float] | None = None
    voltage_v: tuple[float, float] | None = None
    polarity: tuple[Literal["DC+", "DC-", "AC"], ...] = ()
    travel_mm_min: tuple[float, float] | None = None
    heat_input_kj_mm: tuple[float, float] | None = None


class Procedure(Model):
    """A welding procedure (WPS) with the ranges that it allows; temperatures in °C, positions by word or name."""

    name: str = Field(min_length=1, max_length=200)
    revision: str = ""
    process: str = "111"
    positions: tuple[str, ...] = ()
    preheat_min_c: float | None = None
    interpass_max_c: float | None = None
    run: tuple[RunRanges, ...] = Field(min_length=1)


class ProcedureLine(Model):
    """One variable of a welding procedure held against the settings; ``unknown`` where what was used was not said."""

    variable: str
    allowed: str
    used: str
    outcome: Literal["inside", "outside", "unknown"]


class Welding(Model):
    """Welding settings as the user typed them. ``noticed`` is what was seen or heard while welding, by the sign's id in
    ``data/causes.toml``, with one of that sign's states."""

    electrode_class: str | None = None
    electrode_mm: float | None = None
    current_a: float | None = None
    polarity: Literal["DC+", "DC-", "AC"] | None = None
    box_range_a: tuple[float, float] | None = None
    voltage_v: float | None = None
    arc_time_s: float | None = None
    travel_mm_min: float | None = None
    bead_length_mm: float | None = None
    intended_width_mm: float | None = None
    technique: Literal["stringer", "weave"] | None = None
    slope_deg: float | None = None
    rotation_deg: float | None = None
    weld_pass: str | None = None
    preheat_c: float | None = None
    interpass_c: float | None = None
    noticed: dict[str, str] = {}


class Settings(Model):
    """What the user said about this photo and weld."""

    joint: Joint = "bead"
    thickness_mm: float | None = None
    second_thickness_mm: float | None = None
    weld_thickness_mm: float | None = None
    check_line_mm: float | None = None
    criteria: str | None = None
    rule: Literal["guarded", "simple"] = "guarded"
    gauge: tuple[GaugeReading, ...] = ()
    ends_px: tuple[Point, Point] | None = None
    camera_profile: str | None = None
    unit: Literal["mm", "in"] = "mm"
    drawing_size_mm: float | None = None
    drawing_size_is: Literal["leg", "throat"] = "leg"
    conditions: dict[str, bool] = {}
    joint_angle_deg: float | None = None
    welding: Welding = Welding()
    procedure: Procedure | None = None
    section_at_mm: float | None = None


class Result(Model):
    """Everything toeline says about one photo."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True, serialize_by_alias=True
    )

    schema_: Literal["toeline.result/1"] = Field(default=SCHEMA, alias="schema")
    photo: PhotoInfo
    photos: tuple[PhotoInfo, ...] = ()
    scale: Scale
    bead: Bead
    measures: dict[str, Quantity]
    indications: tuple[Indication, ...] = ()
    relief: ReliefAlong | None = None
    judgement: Judgement | None = None
    procedure: tuple[ProcedureLine, ...] = ()
    causes: tuple[Cause, ...] = ()
    causes_why: str | None = None
    coaching: Coaching | None = None
    advice: dict[str, Any] = {}
    settings: Settings
    timing_ms: dict[str, float] = {}
    versions: dict[str, str] = {}
    cautions: tuple[str, ...] = ()

    @property
    def stopped(self) -> str | None:
        """Why nothing on the photo is believed, or None: then there are no measures, no causes, no advice."""
        stops = [problem.text for problem in self.photo.problems if problem.severity == "stop"]
        if stops:
            return stops[0]
        if not self.photo.usable:
            return "The photo cannot be used."
        return None if self.bead.found else "No bead was found."

    def to_json(self, indent: int | None = 2) -> str:
        """The document as JSON text, keys as in the contract."""
        return self.model_dump_json(indent=indent, by_alias=True)
