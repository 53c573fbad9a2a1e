"""What an acceptance criteria set is: lines, each one limit with its evidence, its source and how sure we are of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from toeline.criteria.expression import Condition, Expression, condition, expression
from toeline.result import IndicationKind, Joint, Model

#: Quantities a limit or a condition may name, with their meaning. Lengths in the unit of the line's column.
VARIABLES: Mapping[str, str] = {
    "t": "plate (wall) thickness",
    "s": "nominal butt weld thickness; the plate thickness for full penetration",
    "a": "nominal throat of a fillet",
    "aA": "actual throat of a fillet",
    "z": "nominal leg of a fillet",
    "b": "width of the weld face",
    "l": "length of the weld; of a pipe's seam its girth",
}


class Kind(Model):
    """A quantity that a line can limit, the words for it, and what can tell it.

    ``form`` says how it is told: ``presence`` (there or not), ``located`` (the photo finds where, a gauge says how
    much), ``sized`` (the photo finds, a person sizes each), ``window`` (added up along the weld), ``scalar`` (one
    number). ``depth``: a depth, which a look cannot tell. ``relief`` names the measures of a relief that together tell
    it; ``takes`` further readings that it goes by. ``piece`` and ``pieces`` are said where the number counts and not
    the places.
    """

    form: Literal["presence", "located", "sized", "window", "scalar"]
    symbol: str
    unit: Literal["mm", "deg", "1"]
    words: str
    noun: str = ""
    piece: str = ""
    pieces: str = ""
    seen: tuple[IndicationKind, ...] = ()
    gauge: str | None = None
    statement: str | None = None
    extent: str | None = None
    depth: bool = False
    relief: tuple[str, ...] = ()
    takes: tuple[str, ...] = ()

    @property
    def readings(self) -> frozenset[str]:
        """Every reading and statement that a line on it goes by."""
        return frozenset(filter(None, (self.gauge, self.statement, self.extent, *self.takes)))


def _presence(words: str, statement: str | None, *seen: IndicationKind) -> Kind:
    return Kind(form="presence", symbol="n", unit="1", words=words, noun=words, statement=statement, seen=seen)


def _scalar(words: str, symbol: str, unit: Literal["mm", "deg", "1"], gauge: str | None = None, **more: object) -> Kind:
    return Kind(form="scalar", symbol=symbol, unit=unit, words=words, gauge=gauge, **more)  # type: ignore[arg-type]


_LEGS = ("leg_base", "leg_upright")


#: What a line's ``of`` may be.
QUANTITIES: Mapping[str, Kind] = {
    "crack": _presence("cracks", "cracks"),
    "crater_crack": _presence("crater cracks", "crater_cracks", "crater_crack"),
    "lack_of_fusion": _presence("lack of fusion", "lack_of_fusion"),
    "burn_through": _presence("burn-through", "burn_through"),
    "arc_strike": _presence("arc strikes", "arc_strikes", "arc_strike"),
    "slag": _presence("slag left on", "slag", "slag_left"),
    "restart": _presence("poor restarts", "restarts", "poor_restart"),
    "crater_unfilled": _presence("unfilled craters", "craters", "crater_unfilled"),
    "pore": _presence("surface pores", "pores", "pore"),
    "spatter": _presence("spatter", "spatter", "spatter").model_copy(
        update={"piece": "ball of spatter", "pieces": "balls of spatter"}
    ),
    "face": _presence("what the face cannot show", None),
    "crack_length": Kind(
        form="located",
        symbol="l",
        unit="mm",
        words="length",
        noun="a crater crack",
        seen=("crater_crack",),
        gauge="crack_length",
        statement="crater_cracks",
    ),
    "crater_depth": Kind(
        form="located",
        symbol="h",
        unit="mm",
        words="depth",
        noun="a hollow crater",
        seen=("crater_unfilled",),
        gauge="crater_depth",
        depth=True,
        relief=("crater_depth",),
    ),
    "undercut_depth": Kind(
        form="located",
        symbol="h",
        unit="mm",
        words="depth",
        noun="undercut",
        seen=("undercut",),
        gauge="undercut_depth",
        statement="undercut",
        extent="undercut_deep_length",
        depth=True,
        relief=("undercut_depth_left", "undercut_depth_right"),
    ),
    "overlap_width": Kind(
        form="located",
        symbol="h",
        unit="mm",
        words="width",
        noun="overlap",
        seen=("overlap",),
        gauge="overlap_width",
        statement="overlap",
    ),
    "pore_diameter": Kind(
        form="sized",
        symbol="d",
        unit="mm",
        words="diameter",
        noun="surface pores",
        seen=("pore",),
        gauge="pore_diameter",
        statement="pores",
    ),
    "pore_sum": Kind(
        form="window",
        symbol="sum",
        unit="mm",
        words="sum of pore diameters",
        noun="surface pores",
        seen=("pore",),
        gauge="pore_diameter",
        statement="pores",
    ),
    "pore_count": Kind(
        form="window",
        symbol="n",
        unit="1",
        words="number of surface pores",
        noun="surface pores",
        seen=("pore",),
        gauge="pore_diameter",
        statement="pores",
    ),
    "reinforcement_height": _scalar("reinforcement height", "h", "mm", "reinforcement_height", relief=("height_max",)),
    "underfill_depth": _scalar("depth of incomplete filling", "h", "mm", "underfill_depth", extent="underfill_length"),
    "convexity": _scalar("convexity", "h", "mm", "convexity", relief=("convexity_max",)),
    "toe_angle": _scalar(
        "toe angle", "alpha", "deg", "toe_angle", relief=("toe_angle_left_min", "toe_angle_right_min")
    ),
    "misalignment": _scalar("misalignment", "h", "mm", "misalignment"),
    "root_gap": _scalar("root gap", "h", "mm", "root_gap"),
    "leg_difference": _scalar("difference of the legs", "h", "mm", "leg_difference", takes=_LEGS),
    "leg_shortfall": _scalar("leg undersize", "h", "mm", extent="leg_undersize_length", takes=_LEGS),
    "throat_shortfall": _scalar(
        "throat undersize",
        "h",
        "mm",
        extent="throat_undersize_length",
        relief=("throat_actual_min",),
        takes=("throat", "concavity", *_LEGS),
    ),
    "throat_excess": _scalar("throat oversize", "h", "mm", takes=("throat", "throat_largest")),
    "spatter_per_100mm": _scalar("spatter per 100 mm", "n", "1", statement="spatter", seen=("spatter",)),
    "width_range": _scalar("widest less narrowest", "w", "mm"),
    "width_variation": _scalar("spread of the width over its mean", "v", "1"),
    "edge_deviation": _scalar("unevenness of the rougher toe", "e", "mm"),
    "straightness": _scalar("straightness of the less straight toe", "e", "mm"),
    "ripple_variation": _scalar("unevenness of the ripples", "v", "1"),
}

#: Limits that are words: none may be there; no limit; a matter for the contract.
WORDS = ("none", "allowed", "application")

#: A read in the standard, B a secondary source, C from memory, P common practice without a source.
Confidence = Literal["A", "B", "C", "P"]
Evidence = Literal["plan", "gauge", "both", "eye", "root"]
_SENSES = {"<=": "most", ">=": "least"}


class Limit(Model):
    """``symbol <= expression`` or ``symbol >= expression``, or one of the words."""

    text: str
    word: Literal["none", "allowed", "application"] | None = None
    sense: Literal["most", "least"] = "most"
    bound: str = "0"

    @property
    def expression(self) -> Expression:
        """The bound, ready to work out."""
        return expression(self.bound, VARIABLES.keys())


def limit(text: str, symbol: str) -> Limit:
    """Read one limit; ``ValueError`` says what is wrong."""
    text = text.strip()
    for word in WORDS:
        if text == word:
            return Limit(text=text, word=word)  # type: ignore[arg-type]
    for operator, sense in _SENSES.items():
        left, found, right = text.partition(operator)
        if found:
            if left.strip() != symbol:
                raise ValueError(f"'{text}' limits '{left.strip()}', but this quantity is written '{symbol}'")
            expression(right, VARIABLES.keys())
            return Limit(text=text, sense=sense, bound=right.strip())  # type: ignore[arg-type]
    raise ValueError(f"'{text}' is neither '{symbol} <= ...', '{symbol} >= ...' nor one of {', '.join(WORDS)}")


def _checked_expression(text: str | None) -> str | None:
    if text is not None:
        expression(text, VARIABLES.keys())
    return text


def _checked_condition(text: str | None) -> str | None:
    if text is not None:
        condition(text, VARIABLES.keys())
    return text


class PerLength(Model):
    """How much of it is allowed in a stretch of weld: ``length``, mm, in the worst ``window``, mm.

    A weld shorter than the window may have ``share`` of its length; without a share the length holds as printed.
    ``limit`` is the greater depth allowed inside that length; without it the line's own limit is meant and none of
    the imperfection may go on longer.
    """

    length: str
    window: str
    share: Annotated[float, Field(gt=0, le=1)] | None = None
    limit: str | None = None
    source: str | None = None

    _arithmetic = field_validator("length", "window")(_checked_expression)


class Column(Model):
    """What a standard's own inch column prints, in inches, where it is no conversion of the metric one."""

    limit: str | None = None
    when: str | None = None
    per_length: PerLength | None = None
    window: str | None = None
    counts_from: str | None = None
    confidence: Confidence | None = None


class Line(Model):
    """One line of a criteria set.

    ``of`` is the quantity it limits; ``joints``, ``when`` and ``only_if`` say where it holds. ``limit`` is the limit as
    written; ``per_length``, ``window`` and ``counts_from`` are its rule for lengths, mm. ``evidence`` may decide it, so
    may a person's statement named by ``eye``. ``confidence`` says how sure we are of the figure: A read, B from a
    secondary source, C from memory, P common practice. ``advice`` marks what the standard says should be, which is told
    and decides nothing. ``us`` holds its inch column.
    """

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9.-]*$", max_length=60)]
    imperfection: Annotated[str, Field(min_length=1, max_length=120)]
    iso6520: Annotated[str, Field(pattern=r"^[0-9]{3,5}(/[0-9]{3,5})*$")] | None = None
    of: str
    joints: Annotated[tuple[Joint, ...], Field(min_length=1)] = ("bead", "butt", "fillet")
    when: str | None = None
    only_if: Annotated[str, Field(pattern=r"^(not )?[a-z][a-z0-9-]*$")] | None = None
    limit: str
    per_length: PerLength | None = None
    window: str | None = None
    counts_from: str | None = None
    evidence: Evidence
    eye: str | None = None
    source: Annotated[str, Field(min_length=1)]
    confidence: Confidence
    note: str | None = None
    advice: bool = False
    us: Column | None = None

    _arithmetic = field_validator("window", "counts_from")(_checked_expression)

    @field_validator("of")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in QUANTITIES:
            raise ValueError(f"'{name}' is no quantity; use one of {', '.join(QUANTITIES)}")
        return name

    _comparison = field_validator("when")(_checked_condition)

    @field_validator("limit")
    @classmethod
    def _readable(cls, text: str, info: ValidationInfo) -> str:
        if "of" in info.data:
            limit(text, QUANTITIES[info.data["of"]].symbol)
        return text

    @model_validator(mode="after")
    def _holds_together(self) -> Line:
        kind = QUANTITIES[self.of]
        for column in (self, self.us):
            if column is None:
                continue
            for text in (column.limit, column.per_length.limit if column.per_length else None):
                if text is not None:
                    limit(text, kind.symbol)
            _checked_condition(column.when)
            for text in (column.window, column.counts_from):
                _checked_expression(text)
        own = limit(self.limit, kind.symbol)
        if self.per_length and own.word in ("allowed", "application"):
            raise ValueError(f"a length per window makes no sense with the limit '{self.limit}'")
        if self.per_length and own.word == "none" and self.per_length.limit is None:
            raise ValueError("a length per window needs a limit for what lies inside it")
        if self.of in ("pore_sum", "pore_count") and self.window is None and own.word is None:
            raise ValueError(f"'{self.of}' needs the window it is counted in")
        if own.sense == "least" and self.per_length:
            raise ValueError("a length per window goes with '<=' limits only")
        return self

    def column(self, unit: Literal["mm", "in"]) -> Line:
        """The line as the standard prints it in ``unit``: its inch column's values where it has one."""
        if unit == "mm" or self.us is None:
            return self
        given = {name: getattr(self.us, name) for name in self.us.model_fields_set}
        return self.model_copy(update=given)

    def in_inches(self, unit: Literal["mm", "in"]) -> bool:
        """Whether the values of :meth:`column` for ``unit`` are inches."""
        return unit == "in" and self.us is not None

    @property
    def kind(self) -> Kind:
        """The quantity limited."""
        return QUANTITIES[self.of]

    @property
    def cited(self) -> str:
        """The source as a report prints it; a figure nobody read for this file says so."""
        how = {"A": "", "B": " (secondary source)", "C": " (from memory)", "P": ""}[self.confidence]
        rule = "" if self.per_length is None or self.per_length.source is None else f"; {self.per_length.source}"
        return f"{self.source}{how}{rule}"

    def parsed(self) -> Limit:
        """The limit, read."""
        return limit(self.limit, self.kind.symbol)

    def condition(self) -> Condition | None:
        """When the line holds, read."""
        return None if self.when is None else condition(self.when, VARIABLES.keys())


class Criteria(Model):
    """A whole set, ready to judge by. ``digest`` is the SHA-256 over its file and the files it rests on.

    ``girth``: it is for seams round a pipe, of which a photo shows a part only. ``no_row``: what the standard has no
    row for, and at which thickness.
    """

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9.-]*$", max_length=60)]
    title: Annotated[str, Field(min_length=1, max_length=120)]
    edition: Annotated[str, Field(min_length=1)]
    about: str = ""
    base: str | None = None
    digest: str
    scope: str | None = None
    girth: bool = False
    no_row: Mapping[str, str] = Field(default_factory=dict)
    conditions: Mapping[str, str] = Field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    lines: Annotated[tuple[Line, ...], Field(min_length=1)]

    _comparison = field_validator("scope")(_checked_condition)

    @field_validator("no_row")
    @classmethod
    def _by_thickness(cls, rows: Mapping[str, str]) -> Mapping[str, str]:
        for when in rows.values():
            condition(when, {"t"})
        return rows

    @model_validator(mode="after")
    def _consistent(self) -> Criteria:
        ids = [line.id for line in self.lines]
        if repeated := sorted({name for name in ids if ids.count(name) > 1}):
            raise ValueError(f"the id '{repeated[0]}' is used twice")
        return self
