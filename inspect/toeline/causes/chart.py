"""The cause chart, and what is normal as reference distributions: ``data/causes.toml`` and ``data/normal.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, field_validator, model_validator

from toeline.causes.figures import PositionName
from toeline.causes.remedies import placeholders, remedies
from toeline.datafile import DataFile
from toeline.errors import ChartError
from toeline.result import CauseId, IndicationKind, Joint, Model

JOINTS: tuple[Joint, ...] = get_args(Joint)
Strength = Literal["always", "likely", "possible", "seldom"]


class Sign(Model):
    """One thing a bead or its settings can show; its states are the keys of ``says``."""

    id: str
    usual: str
    stray: float = Field(gt=0, lt=0.5)
    weight: float = Field(default=1.0, gt=0, le=1)
    seen: bool = False
    joints: tuple[Joint, ...] = JOINTS
    says: dict[str, str] = Field(min_length=2)
    ask: str = ""
    #: What takes in the answer, by joint; a joint that is not there is not asked.
    input: dict[Joint, str] = Field(default_factory=dict)

    @field_validator("input", mode="before")
    @classmethod
    def _for_every_joint(cls, given: Any) -> Any:
        return dict.fromkeys(JOINTS, given) if isinstance(given, str) else given

    @model_validator(mode="after")
    def _can_be_asked(self) -> Sign:
        if bool(self.ask) != bool(self.input):
            raise ValueError("what is asked needs an input, and an input needs to be asked for")
        return self

    def takes(self, joint: Joint) -> str | None:
        """What takes in the answer to it on this joint, or None where it is not asked."""
        return self.input.get(joint) if joint in self.joints else None

    @property
    def states(self) -> tuple[str, ...]:
        """Its states, in the chart's order."""
        return tuple(self.says)


class SignStrength(Model):
    """How strongly one trouble shows one state of one sign."""

    sign: str
    state: str
    strength: Strength
    source: str | None = None


class StateDistribution(Model):
    """The normal curve of one state of a reference distribution."""

    at: float
    spread: float = Field(gt=0)


class ReferenceDistribution(Model):
    """A measured quantity and what its values say about a sign's states."""

    sign: str
    unit: str
    scale: Literal["log", "linear"]
    source: str
    states: dict[str, StateDistribution] = Field(min_length=2)


Levels = Annotated[tuple[Annotated[float, Field(gt=0, lt=1)], ...], Field(min_length=2)]


class DetectionTable(Model):
    """How an indication is read where the thing is there and where it is not.

    What is read (a share of the length, a confidence or a count) stands on the level of as many of ``above`` as it is
    above; ``states`` give the probability of each level, the lowest first, for each true state; ``strange`` is the
    share of photos in which the reading tells nothing.
    """

    above: Annotated[tuple[float, ...], Field(min_length=1)]
    states: dict[str, Levels]
    strange: float = Field(gt=0, lt=1)
    source: str

    @model_validator(mode="after")
    def _whole(self) -> DetectionTable:
        if list(self.above) != sorted(set(self.above)):
            raise ValueError("'above' must rise")
        for name, shares in self.states.items():
            if len(shares) != len(self.above) + 1:
                raise ValueError(f"'{name}' needs one probability more than 'above' has steps")
            if abs(sum(shares) - 1) > 0.01:
                raise ValueError(f"the probabilities of '{name}' must add up to 1")
        return self

    def doubted(self, share: float) -> DetectionTable:
        """The same table where in this share of photos the reading tells nothing of the true state."""
        mean = [sum(level) / len(self.states) for level in zip(*self.states.values(), strict=True)]
        states = {
            state: tuple((1 - share) * p + share * m for p, m in zip(shares, mean, strict=True))
            for state, shares in self.states.items()
        }
        return self.model_copy(update={"states": states})

    def level(self, read: float) -> int:
        """The level that ``read`` stands on."""
        return sum(read > step for step in self.above)

    def likelihood(self, read: float) -> dict[str, float]:
        """How likely this reading is under each true state (largest 1)."""
        level = self.level(read)
        top = max(shares[level] for shares in self.states.values())
        return {state: shares[level] / top for state, shares in self.states.items()}

    def odds(self, read: float) -> float:
        """How many times likelier ``read`` is where the thing is there than where it is not."""
        likelihood = self.likelihood(read)
        return likelihood["there"] / likelihood["absent"]


class Person(Model):
    """How far a person's own look is trusted, and what was noticed in passing; from how many on pores are many."""

    wrong: float = Field(gt=0, lt=0.5)
    noticed_wrong: float = Field(gt=0, lt=0.5)
    many_pores: int = Field(gt=1)
    source: str


#: The true states that each detection table tells.
DETECTION_TABLES: dict[IndicationKind, tuple[str, ...]] = {
    "undercut": ("absent", "there"),
    "overlap": ("absent", "there"),
    "crater_unfilled": ("absent", "there"),
    "poor_restart": ("absent", "there"),
    "pore": ("none", "few", "many"),
}


class SpatterSide(Model):
    """Share of the spatter on one side when it is thrown there, and how an undisturbed share strays from one half."""

    thrown: float = Field(gt=0.5, lt=1)
    strays: float = Field(gt=0, lt=0.5)
    source: str


class Ends(Model):
    """How much of the bead at each end counts as its end, and within how many widths a height is the start's."""

    zone: float = Field(gt=0, lt=0.5)
    start_widths: float = Field(gt=0)
    source: str


class BeadShape(Model):
    """Shape of a normal bead's section."""

    height_to_width: float = Field(gt=0)
    fullness: float = Field(gt=0, le=1)
    source: str


class Normal(DataFile, file="normal.toml"):
    """What is normal, and how far what is read is trusted."""

    distribution: dict[str, ReferenceDistribution]
    detection_table: dict[IndicationKind, DetectionTable]
    person: Person
    place_floor: float = Field(gt=0, lt=1)
    spatter_side: SpatterSide
    ends: Ends
    bead_shape: BeadShape


class Row(Model):
    """A row of the chart as it is written: one variable wrong, the signs it gives, and what to try."""

    id: str
    cause: CauseId
    title: str
    variable: str
    prior: float = Field(gt=0, lt=0.3)
    source: str
    where: str | None = None
    joints: tuple[Joint, ...] = JOINTS
    techniques: tuple[Literal["stringer", "weave"], ...] = ()
    #: Positions that give it; where none is said, it is not thought of.
    positions: tuple[PositionName, ...] = ()
    #: Positions in which it is no trouble.
    never_in: tuple[PositionName, ...] = ()
    #: Currents it needs; where another is said, it is not thought of.
    currents: tuple[Literal["DC+", "DC-", "AC"], ...] = ()
    signs: tuple[SignStrength, ...] = ()
    try_: tuple[str, ...] = Field(default=(), alias="try")
    #: Another row above, whose signs and actions it takes over where it has none of its own.
    like: str | None = None


class Trouble(Row):
    """A row with the probability of each state of each sign under it alone."""

    states: dict[str, dict[str, float]]


class Strengths(Model):
    """The probability that each word for a strength stands for."""

    always: float = Field(gt=0, lt=1)
    likely: float = Field(gt=0, lt=1)
    possible: float = Field(gt=0, lt=1)
    seldom: float = Field(gt=0, lt=1)
    source: str


class ChartFile(DataFile, file="causes.toml"):
    """The chart as it is written."""

    strength: Strengths
    sources: dict[str, str]
    sign: tuple[Sign, ...] = Field(min_length=1)
    row: tuple[Row, ...] = Field(min_length=1)


class Chart(Model):
    """The whole chart: the troubles with the probability of every state of every sign worked out."""

    signs: dict[str, Sign]
    troubles: tuple[Trouble, ...]
    sources: dict[str, str]

    def of(
        self,
        joint: Joint,
        technique: Literal["stringer", "weave"] | None = None,
        position: PositionName | None = None,
        current: Literal["DC+", "DC-", "AC"] | None = None,
    ) -> Chart:
        """The chart with the troubles that this joint, welded so and there, can have."""
        fit = (t for t in self.troubles if joint in t.joints)
        fit = (t for t in fit if not t.positions or position in t.positions)
        fit = (t for t in fit if position not in t.never_in)
        fit = (t for t in fit if not t.currents or current is None or current in t.currents)
        fit = (t for t in fit if not t.techniques or technique is None or technique in t.techniques)
        return self.model_copy(update={"troubles": tuple(fit)})

    def noticed(self, joint: Joint) -> dict[str, Sign]:
        """The signs that a person can have noticed while welding this joint."""
        return {sign.id: sign for sign in self.signs.values() if sign.takes(joint) == "noticed"}

    def usual(self, sign: str) -> dict[str, float]:
        """Probability of each state of ``sign`` on a good bead."""
        return _usual(self.signs[sign])


def _usual(sign: Sign) -> dict[str, float]:
    others = len(sign.states) - 1
    return {state: (1 - sign.stray * others if state == sign.usual else sign.stray) for state in sign.states}


def _states(sign: Sign, given: list[SignStrength], strength: Mapping[str, float], where: str) -> dict[str, float]:
    """The probability of each state: the strengths given, the rest shared out as on a good bead."""
    stated = {each.state: strength[each.strength] for each in given}
    if len(stated) < len(given):
        raise ChartError(f"{where}: sign {sign.id!r} has one state twice; keep one.")
    if unknown := stated.keys() - set(sign.states):
        raise ChartError(f"{where}: sign {sign.id!r} has no state {min(unknown)!r}; it has {', '.join(sign.states)}.")
    if (total := sum(stated.values())) >= 1:
        raise ChartError(f"{where}: the strengths of sign {sign.id!r} add up to {total:.2f}; they must stay under 1.")
    rest = {state: p for state, p in _usual(sign).items() if state not in stated}
    if not rest:
        raise ChartError(f"{where}: sign {sign.id!r} leaves no state for the rest; drop one strength.")
    share = (1 - total) / sum(rest.values())
    return stated | {state: p * share for state, p in rest.items()}


def _check_remedies(trouble: Row, where: str) -> None:
    """Every action that is tried exists, and the first that is sure to be sayable is among them."""
    actions = remedies().actions
    for name in trouble.try_:
        if name not in actions:
            raise ChartError(f"{where}: there is no action {name!r} in remedies.toml.")
    if all(placeholders(actions[name].say) and actions[name].without is None for name in trouble.try_):
        raise ChartError(f"{where}: needs an action that can be said without any figure.")


def load_chart(file: ChartFile, name: str = ChartFile.file_name) -> Chart:
    """The chart of a file; raises :class:`ChartError` with the entry that makes no sense."""
    strength = file.strength.model_dump(exclude={"source"})
    signs: dict[str, Sign] = {}
    for sign in file.sign:
        _check_sign(sign, signs, f"{name}: sign {sign.id!r}")
        signs[sign.id] = sign
    troubles: dict[str, Trouble] = {}
    for row in file.row:
        where = f"{name}: row {row.id!r}"
        trouble = _taken_over(row, troubles, where)
        _check_trouble(trouble, troubles, signs, file.sources, where)
        states = {
            sign.id: _states(sign, [s for s in trouble.signs if s.sign == sign.id], strength, where)
            for sign in signs.values()
        }
        troubles[trouble.id] = Trouble.model_validate(trouble.model_dump(by_alias=True) | {"states": states})
    return Chart(signs=signs, troubles=tuple(troubles.values()), sources=file.sources)


def _check_sign(sign: Sign, before: Mapping[str, Sign], where: str) -> None:
    """A sign stands once, its usual state is one of its own and has a probability left."""
    if sign.id in before:
        raise ChartError(f"{where} stands twice.")
    if sign.usual not in sign.says:
        raise ChartError(f"{where}: its usual state {sign.usual!r} is not one of its states.")
    if sign.stray * (len(sign.states) - 1) >= 1:
        raise ChartError(f"{where}: stray leaves nothing for the usual state.")


def _taken_over(row: Row, before: Mapping[str, Row], where: str) -> Row:
    """A row with what it takes over from the row that it is like."""
    if row.like is None:
        return row
    if row.like not in before:
        raise ChartError(f"{where}: like = {row.like!r} names no row above it.")
    like, own = before[row.like], {each.sign for each in row.signs}
    signs = (*row.signs, *(each for each in like.signs if each.sign not in own))
    return row.model_copy(update={"signs": signs, "try_": row.try_ or like.try_})


def _check_trouble(
    trouble: Row, before: Mapping[str, Row], signs: Mapping[str, Sign], sources: Mapping[str, str], where: str
) -> None:
    """A trouble stands once, and whatever it names exists."""
    if trouble.id in before:
        raise ChartError(f"{where}: stands twice.")
    if not trouble.signs or not trouble.try_:
        raise ChartError(f"{where}: needs at least one sign and one thing to try.")
    _check_remedies(trouble, where)
    for each in trouble.signs:
        if each.sign not in signs:
            raise ChartError(f"{where}: no sign {each.sign!r} is defined.")
        if each.source is not None and each.source not in sources:
            raise ChartError(f"{where}: sign {each.sign!r}: source {each.source!r} is not one of [sources].")
    if trouble.source not in sources:
        raise ChartError(f"{where}: source {trouble.source!r} is not one of [sources].")


def load_normal(normal: Normal, chart: Chart, name: str = Normal.file_name) -> Normal:
    """The reference distributions of a file, checked against the chart's signs; raises ChartError."""
    for kind, states in DETECTION_TABLES.items():
        if kind not in normal.detection_table or normal.detection_table[kind].states.keys() != set(states):
            raise ChartError(f"{name}: detection table {kind!r} has to say {', '.join(states)}.")
    for key, distribution in normal.distribution.items():
        if distribution.sign not in chart.signs:
            raise ChartError(f"{name}: reference distribution {key!r}: no sign {distribution.sign!r} in the chart.")
        if distribution.scale == "log" and min(curve.at for curve in distribution.states.values()) <= 0:
            raise ChartError(f"{name}: reference distribution {key!r}: a log scale needs centres above 0.")
        if distribution.states.keys() != set(chart.signs[distribution.sign].states):
            raise ChartError(
                f"{name}: reference distribution {key!r}: its states are not those of sign {distribution.sign!r}."
            )
    tables = {kind: table.doubted(table.strange) for kind, table in normal.detection_table.items()}
    return normal.model_copy(update={"detection_table": tables})


@cache
def chart() -> Chart:
    """The chart that ships with the package."""
    return load_chart(ChartFile.read())


@cache
def normal() -> Normal:
    """The reference distributions that ship with the package."""
    return load_normal(Normal.read(), chart())
