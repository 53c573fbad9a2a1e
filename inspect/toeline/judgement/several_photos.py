"""What several photos add to a verdict: whether they contradict a gauge, and what would settle what they leave open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from toeline.evidence.needs import Need, Step
from toeline.judgement.case import Case, Told, Verdict
from toeline.photogrammetry.figures import ReliefFigures
from toeline.result import Outcome, Quantity, SeenSide
from toeline.units import length

_FROM: dict[SeenSide, str] = {
    "above": "from square above",
    "left": "from the left",
    "right": "from the right",
    "start": "from behind the start",
    "end": "from beyond the end",
}


def with_several_photos(case: Case, verdict: Verdict) -> Verdict:
    """The verdict with a contradiction between gauge and relief said, or with what would settle it besides a gauge."""
    relief = case.evidence.result.relief
    if relief is None or relief.state != "measured" or not case.line.kind.relief:
        return verdict
    against = contradiction(case)
    if against is not None:
        return _contradicted(case, verdict, *against)
    if verdict.outcome != "undecided" or any(one.how == "gauge" and one.speaks_for_all for one in case.told):
        return verdict
    told = [one for one in case.told if one.how == "relief"]
    if told and verdict.measured in [one.quantity for one in told]:
        return _too_wide(case, verdict)
    too_few = len(relief.seen_from) < ReliefFigures.read().groove.fewest
    why = next((why for name in case.line.kind.relief if (why := case.evidence.measure(name).why)), None)
    if told or why is None or not too_few or case.line.of != "undercut_depth":
        return verdict
    return replace(verdict, why=f"{verdict.why}; {why}", needs=(*_further(case), *verdict.needs))


def contradiction(case: Case) -> tuple[Told, Quantity, float | None] | None:
    """The gauge reading that the relief contradicts most, what the relief gives there, and where; None where none does.

    They contradict each other where they differ by more than both their U together (root of the sum of squares). A
    reading without a place is held against the relief's worst where the relief saw all of it.
    """
    of_all = [one.quantity for one in case.told if one.how == "relief" and one.whole]
    found: list[tuple[float, tuple[Told, Quantity, float | None]]] = []
    for one in case.told:
        if one.by is None:
            continue
        there = case.evidence.relief_near(case.line.kind.relief, one.by) if one.at is not None else _worst(of_all)
        if there is None or there.value is None or one.quantity.value is None:
            continue
        apart = abs(there.value - one.quantity.value) / max(math.hypot(there.U or 0, one.quantity.U or 0), 1e-9)
        place = one.at if one.at is not None else case.evidence.relief_place(case.line.kind.relief)
        found.append((apart, (one, there, place)))
    apart, most = max(found, key=lambda each: each[0], default=(0.0, None))
    return most if apart > 1 else None


def _worst(quantities: Sequence[Quantity]) -> Quantity | None:
    return max(quantities, key=lambda quantity: quantity.value or 0.0, default=None)


def _contradicted(case: Case, verdict: Verdict, told: Told, there: Quantity, place: float | None) -> Verdict:
    """Said; it passes nothing, and what the photos alone fail is sent back to be gauged."""
    where = "" if place is None else f" at {length(place, case.evidence.unit)}"
    why = (
        f"{verdict.why}; the gauge's {case.value(told.quantity)} and the photos' {case.value(there)}{where} contradict "
        "each other: gauge it there again"
    )
    gauged = [one for one in case.told if one.how == "gauge"]
    by_photos_alone = verdict.outcome == "fail" and verdict.measured not in [one.quantity for one in gauged]
    outcome: Outcome = "undecided" if verdict.outcome == "pass" or by_photos_alone else verdict.outcome
    needs = case.gauge(*(() if place is None else (place,)))
    return replace(verdict, outcome=outcome, why=why, needs=(*needs, *verdict.needs))


def _too_wide(case: Case, verdict: Verdict) -> Verdict:
    """A relief whose U reaches over the limit: where, and whether a further photo may settle it."""
    place = case.evidence.relief_place(case.line.kind.relief)
    at = "" if place is None else f" at {length(place, case.evidence.unit)}"
    further = _further(case) if _may_settle(case, verdict) else ()
    photo = f"a further photo {_side(case)} may settle it, " if further else ""
    why = f"{verdict.why}; {photo}{'else ' if further else ''}a gauge{at} does"
    gauge = case.gauge(*(() if place is None else (place,)))
    rest = tuple(need for need in verdict.needs if need.name != case.line.kind.gauge)
    return replace(
        verdict, why=why, at=verdict.at if verdict.at is not None else place, needs=(*further, *gauge, *rest)
    )


def _may_settle(case: Case, verdict: Verdict) -> bool:
    """Whether the U that one more photo leaves would decide, the value staying as it is."""
    relief, bound, measured = case.evidence.result.relief, verdict.bound, verdict.measured
    if relief is None or bound is None or measured is None or measured.value is None or measured.U is None:
        return False
    few, used = ReliefFigures.read().u.few, len(relief.seen_from)
    more = few.get(str(used + 1))
    if more is None or not relief.missing:
        return False
    return abs(measured.value - bound) >= measured.U * more / few[str(used)]


def _further(case: Case) -> tuple[Need, ...]:
    side = _side(case)
    if not side:
        return ()
    return (Need(Step.PHOTO, f"Add a photo {side}, leaning about 25 degrees, card and plate left where they are."),)


def _side(case: Case) -> str:
    relief = case.evidence.result.relief
    return _FROM[relief.missing[0]] if relief is not None and relief.missing else ""
