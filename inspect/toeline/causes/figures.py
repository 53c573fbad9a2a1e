"""The data files of this room as frozen, typed models; what each figure means stands beside it in the file.

The cause chart, what is normal, and the remedies have their models beside what is made of them.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from toeline.datafile import DataFile, Table

Family = Literal["cellulosic", "rutile", "basic", "stainless"]
PositionName = Literal["flat", "horizontal", "vertical up", "vertical down", "overhead"]
#: Where a rod can be welded: some are made for horizontal fillets and for nothing else that is horizontal.
RodPosition = Literal[PositionName, "horizontal fillet"]
Current = Literal["DC+", "DC-", "AC"]
Span = tuple[float, float]


class RankingFigures(DataFile, file="ranking.toml"):
    """How the cause ranking speaks."""

    silent_above: float
    least: float
    most: int
    evidence: float
    alike: float
    together: float
    worth_asking: float
    source: str


class RangeTable(Table):
    """Current ranges, A, of one source: by class, by core diameter in mm."""

    name: str
    source: str
    confidence: str
    amps: dict[str, dict[str, Span]]


class Ranges(Table):
    """Every source of current ranges, the first that has one holds."""

    rule: str
    table: tuple[RangeTable, ...]


class Diameters(Table):
    """How a typed core diameter is matched."""

    within_mm: float


class RodClass(Table):
    """What a class of rod is made for."""

    coating: str
    family: Family
    polarity: tuple[Current, ...]
    positions: tuple[RodPosition, ...]
    arc: float
    source: str
    like: str | None = None


class ByDigits(Table):
    """Designations of AWS A5.1 and A5.5 and of ISO 2560-B."""

    strengths: tuple[str, ...]
    source: str
    classes: dict[str, str] = Field(alias="class")
    never: dict[str, tuple[str, ...]]


class Coating(Table):
    """What a coating's letters in ISO 2560-A say."""

    coating: str
    family: Family
    class_: str | None = Field(default=None, alias="class")
    high_yield: str | None = None


class CurrentDigits(Table):
    """What the current digit of ISO 2560-A says."""

    dc_only: tuple[str, ...]
    high_yield: tuple[str, ...]


class ByLetters(Table):
    """Designations of ISO 2560-A."""

    source: str
    coating: dict[str, Coating]
    current: CurrentDigits
    positions: dict[str, tuple[RodPosition, ...]]


class Designation(Table):
    """How a rod's designation is read."""

    digits: ByDigits
    letters: ByLetters


class PlateCurrent(Table):
    """What the plate's thickness says of the current."""

    most_a_per_mm: float
    thin_mm: float
    thick_mm: float
    source: str


class Correction(Table):
    """Shares by which a position, a joint or AC changes the current."""

    shares: tuple[float, ...]
    source: str


class Heat(Table):
    """Thermal efficiency of the process."""

    k: float
    source: str


class DepositFillet(Table):
    """How much more metal a fillet takes than its triangle."""

    extra: float
    source: str


class Deposit(Table):
    """Deposition rates, kg/h at a current, A: by class, by core diameter in mm."""

    density_g_cm3: float
    source: str
    rates: dict[str, dict[str, tuple[Span, ...]]]
    fillet: DepositFillet


class Travel(Table):
    """Usual travel speeds, mm/min."""

    source: str
    by_diameter: dict[str, Span]
    by_class: dict[str, Span]


class ElectrodeFigures(DataFile, file="electrodes.toml"):
    """Everything known of rods."""

    ranges: Ranges
    diameters: Diameters
    classes: dict[str, RodClass] = Field(alias="class")
    designation: Designation
    plate: PlateCurrent
    correction: dict[str, Correction]
    heat: Heat
    deposit: Deposit
    travel: Travel


class PositionLimits(Table):
    """One position: its names, and the angles between which it lies."""

    name: Literal["flat", "horizontal", "vertical", "overhead"]
    aws: str
    iso_up: str
    iso_down: str
    slope: Span
    rotation: Span


class JointPositions(Table):
    """The positions of one kind of joint."""

    title: str
    source: str
    positions: tuple[PositionLimits, ...]


class PositionTolerance(Table):
    """How far from its main position a weld may lie."""

    slope: float
    rotation: float
    source: str


class TypedPositions(Table):
    """What a person may type instead of slope and rotation, by kind of joint."""

    groove: dict[str, Span]
    fillet: dict[str, Span]


class PositionFigures(DataFile, file="positions.toml"):
    """Welding positions."""

    groove: JointPositions
    fillet: JointPositions
    production: PositionTolerance
    test_piece: PositionTolerance
    words: TypedPositions
    names: TypedPositions


class Caution(Table):
    """Something to take care of: always, or with these actions or faults, or in these positions."""

    text: str
    source: str
    actions: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    positions: tuple[PositionName, ...] = ()

    @property
    def always(self) -> bool:
        """Whether it goes with every sheet."""
        return not self.actions and not self.faults and not self.positions


class Shade(Table):
    """The shade of the helmet's glass: up to a current, A, a number."""

    text: str
    without: str
    steps: tuple[tuple[float, int], ...]
    source: str


class WorkAngle(Table):
    """The rod's angle across the joint, in words."""

    fillet: str
    horizontal: str
    other: str


class CraterBack(Table):
    """From where on a crater was drawn back, in bead widths."""

    drawn_back: float
    source: str


class CoachingWords(DataFile, file="coaching.toml"):
    """What goes with every coaching sheet."""

    repeat: str
    good: str
    unsure: str
    alike: str
    chances: str
    caution: tuple[Caution, ...]
    shade: Shade
    work_angle: WorkAngle
    crater: CraterBack
