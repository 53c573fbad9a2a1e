"""One line with all there is to judge it by, and the verdict on it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from toeline.criteria.model import Line
from toeline.criteria.model import limit as read_limit
from toeline.evidence.evidence import Evidence, middle, uncounted
from toeline.evidence.gauge import gauges
from toeline.evidence.needs import Need, Step
from toeline.judgement.decision import Decision, Rule, Sense, decide
from toeline.measures.figures import IndicationFigures
from toeline.result import GaugeReading, Indication, Outcome, Quantity
from toeline.units import figure, length, say


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one line; ``bound`` and ``at`` in mm (degrees, counts)."""

    outcome: Outcome
    why: str
    evidence: str = ""
    measured: Quantity | None = None
    at: float | None = None
    p_conform: float | None = None
    needs: tuple[Need, ...] = ()
    bound: float | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """A depth, height or size that a gauge read (``by``) or a relief measured.

    One with a place (``at``, mm) or of a face not seen whole speaks for that place only: it can fail a line and pass
    none.
    """

    quantity: Quantity
    how: Literal["gauge", "relief"]
    at: float | None = None
    whole: bool = True
    by: GaugeReading | None = None

    @property
    def speaks_for_all(self) -> bool:
        """Whether it is the worst along the whole weld."""
        return self.whole and self.at is None

    @property
    def none(self) -> bool:
        """Whether a person felt for it and found none."""
        return self.by is not None and self.quantity.value == 0


@dataclass(frozen=True)
class Case:
    """One line, in its unit's column, and all there is to judge it by."""

    line: Line
    evidence: Evidence
    rule: Rule

    def decide(self, measured: Quantity, bound: Quantity, sense: Sense = "most") -> Decision:
        """The decision rule; the limit's own uncertainty counts too."""
        assert measured.value is not None
        assert bound.value is not None
        return decide(measured.value, math.hypot(measured.U or 0, bound.U or 0), bound.value, sense, self.rule)

    def read(self, told: Told, bound: Quantity) -> Decision:
        """A reading against a limit; a gauge's zero says that there is none of it."""
        return Decision("pass", 1.0) if told.none else self.decide(told.quantity, bound)

    @cached_property
    def told(self) -> tuple[Told, ...]:
        """What gauges read and a relief measured of the line's quantity, gauges first."""
        kind = self.line.kind
        relief = [self.evidence.relief(name) for name in kind.relief if name in self.evidence.result.measures]
        seen_whole = len(relief) == len(kind.relief) and all(
            quantity.known and all_of_it for quantity, all_of_it in relief
        )
        return (
            *(
                Told(as_quantity(reading), "gauge", reading.at, by=reading)
                for reading in self.evidence.readings(kind.gauge)
            ),
            *(Told(quantity, "relief", whole=seen_whole) for quantity, _ in relief if quantity.known),
        )

    def bound(self, text: str) -> tuple[Quantity, tuple[Need, ...]]:
        """What a limit such as ``h <= 0.2*t`` comes to."""
        if text == "none":
            return Quantity(value=0, U=0, unit=self.line.kind.unit), ()
        limit = read_limit(text, self.line.kind.symbol)
        return self.evidence.bound(self.line, limit.expression, self.line.kind.unit)

    def length(self, text: str) -> tuple[Quantity, tuple[Need, ...]]:
        """What an expression for a length comes to, mm."""
        return self.evidence.bound(self.line, read_limit(f"h <= {text}", "h").expression, "mm")

    def look(self, *places: float | None) -> tuple[Need, ...]:
        """Asks a person to look and state what is there."""
        name = self.line.kind.statement
        return (Need(Step.EYE, name=name, places=_known(places)),) if name else ()

    def gauge(self, *places: float | None, name: str | None = None) -> tuple[Need, ...]:
        """Asks for a gauge reading, at places along the seam or at the worst anywhere."""
        name = name or self.line.kind.gauge
        by_photos = bool(self.line.kind.relief) and name == self.line.kind.gauge and not self._in_several_photos
        return (Need(Step.GAUGE, name=name, places=_known(places), by_photos=by_photos),) if name else ()

    @property
    def _in_several_photos(self) -> bool:
        """Whether a relief was measured over several photos."""
        relief = self.evidence.result.relief
        return relief is not None and relief.state == "measured"

    # Words

    def figure(self, mm: float) -> str:
        """A limit in the user's unit."""
        return figure(mm, self.evidence.unit)

    def value(self, quantity: Quantity) -> str:
        """A value with its uncertainty in the user's unit."""
        return say(quantity, self.evidence.unit)

    def in_words(self, told: Told) -> str:
        """What was read, where and by what."""
        return f"the relief gives {self.value(told.quantity)}" if told.by is None else self.said(told.by)

    def looked(self, statements: Iterable[GaugeReading]) -> str:
        """``A. Boon looked and stated none``, or ``a person``, where the name is not given."""
        named = next((reading.by for reading in statements if reading.by and reading.value == 0), None)
        return f"{named or 'a person'} looked and stated none"

    def said(self, reading: GaugeReading) -> str:
        """``undercut depth read as 0.40 ± 0.20 mm at 37 mm``, ``A. Boon saw it`` or ``A. Boon counted 3``."""
        gauge, by = gauges()[reading.name], reading.by or "a person"
        place = "" if reading.at is None else f" at {length(reading.at, self.evidence.unit)}"
        if gauge.permission:
            return f"{by} says {'yes' if reading.value else 'no'}"
        if gauge.statement:
            return f"{by} counted {reading.value:.0f}{place}" if gauge.counted else f"{by} saw it{place}"
        return f"{reading.name.replace('_', ' ')} read as {self.value(as_quantity(reading))}{place}"

    def may_be(self, items: Sequence[Indication]) -> str:
        """``the photo shows what may be undercut at 37 mm``; of a relief it may be that no single photo does."""
        shown = "the photos show" if self._in_several_photos else "the photo shows"
        return f"{shown} what may be {self._where(items)}"

    def _where(self, items: Sequence[Indication]) -> str:
        """``undercut at 37 mm, 82 mm and 4 more``; ``5 balls of spatter`` where places say nothing, as many as the
        measure of that name counts."""
        if self.line.kind.pieces:
            small = sum(map(uncounted, items))
            least = figure(IndicationFigures.read().spatter.counted, self.evidence.unit)
            told = [self._pieces(len(items) - small)] if len(items) > small else []
            told += [f"{self._pieces(small) if not told else small} under {least}, not counted"] if small else []
            return " and ".join(told)
        places = [length(place, self.evidence.unit) for place in map(middle, items[:3]) if place is not None]
        more = f" and {len(items) - 3} more" if len(items) > 3 else ""
        return (
            f"{self.line.kind.noun} at {', '.join(places)}{more}" if places else f"{self.line.kind.noun} ({len(items)})"
        )

    def _pieces(self, count: int) -> str:
        return f"{count} {self.line.kind.piece if count == 1 else self.line.kind.pieces}"


def no_bound(bound: Quantity, needs: Iterable[Need]) -> Verdict:
    """The verdict where the limit itself is not known."""
    return Verdict("undecided", f"the limit cannot be worked out: {bound.why}", needs=tuple(needs))


def as_quantity(reading: GaugeReading) -> Quantity:
    """A gauge reading as a quantity."""
    return Quantity(value=reading.value, U=reading.U, unit=reading.unit)


def none_stated(statements: Iterable[GaugeReading]) -> bool:
    """Whether a person looked along the whole weld and stated none."""
    return any(reading.value == 0 and reading.at is None for reading in statements)


def _known(places: Iterable[float | None]) -> tuple[float, ...]:
    return tuple(place for place in places if place is not None)
