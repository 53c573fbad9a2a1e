"""Lines on pores: the largest, and how many or how much in the worst stretch.

A photo shows some pores and cannot show that there are no more: what it seems to show says where to look. A person's
count and gauge decide.
"""

from __future__ import annotations

from dataclasses import replace

from toeline.evidence.evidence import middle
from toeline.evidence.windows import worst_sum
from toeline.judgement.case import Case, Verdict, no_bound, none_stated
from toeline.result import GaugeReading, Quantity


def judge_sized(case: Case) -> Verdict:
    """Each that a person gauged against a size; a gauge without a place is the largest anywhere."""
    line, evidence, kind = case.line, case.evidence, case.line.kind
    bound, needs = case.bound(line.limit)
    if bound.value is None:
        return no_bound(bound, needs)
    stated = evidence.readings(kind.statement)
    gauged = list(evidence.readings(kind.gauge))
    found = [i for i in evidence.seen(kind.seen) if not any(evidence.near(r, i) for r in (*gauged, *stated))]
    places = [middle(item) for item in found]
    told = Verdict("undecided", "", "photo" if found else "none", bound=bound.value)
    worst = max(case.told, key=lambda one: (one.quantity.value or 0) + (one.quantity.U or 0), default=None)
    if worst is not None:
        told = replace(
            told,
            why=case.in_words(worst),
            evidence="gauge",
            measured=worst.quantity,
            at=worst.at,
            p_conform=case.read(worst, bound).p_conform,
        )
        if any(case.read(one, bound).outcome == "fail" for one in case.told):
            return replace(told, outcome="fail", why=f"{told.why}, beyond {case.figure(bound.value)}")
        if any(case.read(one, bound).outcome == "undecided" for one in case.told):
            why = f"{told.why}, too near the limit of {case.figure(bound.value)} to say"
            return replace(told, why=why, needs=case.gauge(worst.at))
    nothing = none_stated(stated) and not any(reading.value > 0 for reading in stated)
    if any(one.at is None and not one.none for one in case.told) or _all_gauged(gauged, stated):
        return replace(told, outcome="pass")
    if (nothing or any(one.at is None for one in case.told)) and not found:
        return replace(told, outcome="pass", why=case.looked(stated) if nothing else told.why, evidence="eye")
    if found:
        largest = max(found, key=lambda item: (item.size and item.size.value) or 0)
        size = "" if largest.size is None or not largest.size.known else f", up to {case.value(largest.size)}"
        why = f"{case.may_be(found)}{size}; gauge the largest"
        return replace(told, why=why, at=places[0], needs=case.gauge(*places))
    if any(reading.value > 0 for reading in stated):
        return replace(told, why="some were stated; gauge the largest", evidence="eye", needs=case.gauge())
    why = f"{told.why}, which speaks for that place only" if told.why else "a photo cannot show that there is none"
    return replace(told, why=why, needs=case.look())


def _all_gauged(gauged: list[GaugeReading], stated: tuple[GaugeReading, ...]) -> bool:
    """Whether as many were gauged, each at its place, as a person counted in all."""
    count = max((reading.value for reading in stated if reading.at is None), default=None)
    return count is not None and 0 < count <= sum(reading.at is not None and reading.value > 0 for reading in gauged)


def judge_window(case: Case) -> Verdict:
    """Pores counted, or their diameters added up, in the worst stretch anywhere.

    For failing, those that a person placed count, at the least they may measure. For passing, all that a person counted
    along the weld: each at its place where all were gauged, else all in one stretch, each as large as the largest.
    """
    line, evidence, kind = case.line, case.evidence, case.line.kind
    assert line.window is not None
    stated = evidence.readings(kind.statement)
    none = none_stated(stated) and not any(r.value > 0 for r in (*stated, *evidence.readings(kind.gauge)))
    if none and not evidence.seen(kind.seen):
        return Verdict("pass", case.looked(stated), "eye")  # within any limit
    bound, needs = case.bound(line.limit)
    window, more = case.length(line.window)
    if bound.value is None or window.value is None:
        return no_bound(bound if bound.value is None else window, (*needs, *more))
    gauged = [r for r in evidence.placed(kind.gauge) if r.value > 0]
    count = max((reading.value for reading in stated if reading.at is None), default=None)
    found = [i for i in evidence.seen(kind.seen) if not any(evidence.near(r, i) for r in (*gauged, *stated))]
    places = [middle(item) for item in found]
    told = Verdict("undecided", "", "eye" if stated else "photo" if found else "none", bound=bound.value)

    points = [(r.at or 0.0, _weigh(case, r, -1), _weigh(case, r, 1)) for r in gauged]
    if kind.unit == "1" and line.counts_from is None:
        points += [(r.at, r.value, r.value) for r in stated if r.at is not None and not _gauged_there(case, r, gauged)]
    low, start = worst_sum([(at, least) for at, least, _ in points], window.value)
    if kind.unit == "1" and line.counts_from is None and count is not None:
        weld = evidence.values["l"]
        if weld.value is not None and weld.value + (weld.U or 0) <= window.value:
            low = max(low, count)  # the whole weld lies in one such stretch
    slack = 1e-9 * max(1.0, bound.value)
    guard = (bound.U or 0) if case.rule == "guarded" else 0.0
    if points:
        value = worst_sum([(at, (least + most) / 2) for at, least, most in points], window.value)[0]
        told = replace(told, measured=Quantity(value=value, U=0.0, unit=kind.unit, n=len(points)), at=start)
    if low > bound.value + guard + slack:
        shown = case.value(Quantity(value=low, U=0.0, unit=kind.unit))
        return replace(told, outcome="fail", why=f"at least {shown} in the worst {case.figure(window.value)}")
    if found and (count is None or count < len(found) + len(points)):
        why = f"{case.may_be(found)}; count and gauge them"
        return replace(told, why=why, at=places[0], needs=case.look(*places))
    if count is None:
        return replace(told, why="a photo cannot show that there are no more", needs=case.look())
    if count == 0 and not points:
        return replace(told, outcome="pass", why=case.looked(stated))
    high = _most(case, count, points, window.value)
    if high is None:
        return replace(told, why=f"{count:.0f} counted in all; gauge the largest", needs=case.gauge())
    if high <= bound.value - guard + slack:
        shown = case.value(Quantity(value=high, U=0.0, unit=kind.unit))
        why = f"at most {shown} in the worst {case.figure(window.value)}, {count:.0f} counted in all"
        return replace(told, outcome="pass", why=why)
    why = f"{count:.0f} counted in all, perhaps too much in one stretch; gauge each at its place"
    return replace(told, why=why, needs=(*case.gauge(*places), *case.look(*places)))


def _weigh(case: Case, reading: GaugeReading, sign: int) -> float:
    """What a gauged pore adds, at the most (``sign`` 1) or the least (-1) that it may measure."""
    guard = (reading.U or 0.0) if case.rule == "guarded" else 0.0
    size = max(0.0, reading.value + sign * guard)
    smallest = case.length(case.line.counts_from or "0")[0].value or 0.0
    if size <= 0 or size < smallest:
        return 0.0
    return 1.0 if case.line.kind.unit == "1" else size


def _gauged_there(case: Case, reading: GaugeReading, gauged: list[GaugeReading]) -> bool:
    """Whether the pore that was stated at a place was gauged there too."""
    slack = case.evidence.detection.place_mm
    return any(abs((reading.at or 0.0) - (one.at or 0.0)) <= slack for one in gauged)


def _most(case: Case, count: float, points: list[tuple[float, float, float]], window: float) -> float | None:
    """The most that may lie in one stretch; None where no size is known."""
    if len(points) >= count:
        return worst_sum([(at, most) for at, _, most in points], window)[0]
    if case.line.kind.unit == "1":
        return count
    largest = max((_weigh(case, r, 1) for r in case.evidence.whole(case.line.kind.gauge)), default=None)
    return None if largest is None else count * largest
