"""One line with all there is to judge it by, and the verdict on it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from toeline.criteria.model import Line
from toeline.criteria.model import limit as read_limit
from toeline.evidence.evidence import Evidence, middle
from toeline.evidence.gauge import gauges
from toeline.evidence.needs import Need, Step
from toeline.judgement.decision import Decision, Rule, Sense, decide
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

    def read(self, reading: GaugeReading, bound: Quantity) -> Decision:
        """A gauge reading against a limit; a reading of zero says that there is none of it."""
        return Decision("pass", 1.0) if reading.value == 0 else self.decide(as_quantity(reading), bound)

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
        return (Need(Step.GAUGE, name=name, places=_known(places)),) if name else ()

    @property
    def detection_kind(self) -> str:
        """What the photo's reading calls the line's imperfection."""
        return self.line.kind.seen[0] if self.line.kind.seen else ""

    # Words

    def figure(self, mm: float) -> str:
        """A limit in the user's unit."""
        return figure(mm, self.evidence.unit)

    def value(self, quantity: Quantity) -> str:
        """A value with its uncertainty in the user's unit."""
        return say(quantity, self.evidence.unit)

    def said(self, reading: GaugeReading) -> str:
        """``undercut_depth read as 0.40 ± 0.20 mm at 37 mm``."""
        verb = "stated" if gauges()[reading.name].statement else "read"
        place = "" if reading.at is None else f" at {length(reading.at, self.evidence.unit)}"
        return f"{reading.name} {verb} as {self.value(as_quantity(reading))}{place}"

    def where(self, items: Sequence[Indication]) -> str:
        """``undercut at 37 mm, 82 mm and 4 more``; ``5 balls of spatter`` where places say nothing."""
        if self.line.kind.pieces:
            return f"{len(items)} {self.line.kind.pieces if len(items) > 1 else self.line.kind.piece}"
        places = [length(place, self.evidence.unit) for place in map(middle, items[:3]) if place is not None]
        more = f" and {len(items) - 3} more" if len(items) > 3 else ""
        return (
            f"{self.line.kind.noun} at {', '.join(places)}{more}" if places else f"{self.line.kind.noun} ({len(items)})"
        )


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
