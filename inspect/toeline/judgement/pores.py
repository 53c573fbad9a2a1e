"""Lines on pores: the largest, and how many or how much in the worst stretch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from toeline.evidence.evidence import middle
from toeline.evidence.windows import worst_sum
from toeline.judgement.case import Case, Verdict, as_quantity, no_bound, none_stated
from toeline.result import Indication, Outcome, Quantity


def judge_sized(case: Case) -> Verdict:
    """Each that the photo shows or a person gauged against a size; a gauge without a place is the largest anywhere."""
    line, evidence, kind = case.line, case.evidence, case.line.kind
    bound, needs = case.bound(line.limit)
    if bound.value is None:
        return no_bound(bound, needs)
    readings, stated = evidence.readings(kind.gauge), evidence.readings(kind.statement)
    found = [item for item in evidence.seen(kind.seen) if not any(evidence.near(r, item) for r in readings)]
    sized = [(item, item.size) for item in found if item.size is not None and item.size.value is not None]
    told = Verdict("undecided", "", "photo", bound=bound.value)
    largest = max(sized, key=lambda entry: entry[1].value or 0, default=None)
    if largest is not None:
        p = case.decide(largest[1], bound).p_conform
        told = replace(told, measured=largest[1], at=middle(largest[0]), p_conform=p)
    worst = max(readings, key=lambda reading: reading.value + (reading.U or 0), default=None)
    if worst is not None:
        decision = case.read(worst, bound)
        why = case.said(worst)
        told = replace(told, evidence="gauge", measured=as_quantity(worst), at=worst.at, p_conform=decision.p_conform)
        if any(case.read(reading, bound).outcome == "fail" for reading in readings):
            return replace(told, outcome="fail", why=f"{why}, beyond {case.figure(bound.value)}")
    anywhere = any(reading.at is None for reading in readings)
    passing = [item for item, size in sized if case.decide(size, bound).outcome == "pass"]
    failing = [item for item, size in sized if case.decide(size, bound).outcome == "fail" and evidence.sure(item)]
    if failing and not anywhere and not none_stated(stated):
        worst_pore = max(failing, key=lambda item: (item.size and item.size.value) or 0)
        told = replace(told, measured=worst_pore.size, at=middle(worst_pore))
        why = f"{case.where(failing)}, up to {case.value(told.measured or bound)}, beyond {case.figure(bound.value)}"
        return replace(told, outcome="fail", why=why)
    doubtful = [item for item in found if item not in passing]
    settled = anywhere or none_stated(stated)
    if failing or (doubtful and not settled) or (none_stated(stated) and any(map(evidence.sure, found))):
        places = [middle(item) for item in doubtful or found]
        why = f"{case.where(doubtful or found)}; gauge the largest"
        return replace(told, why=why, needs=case.gauge(*places))
    if worst is not None and any(case.read(reading, bound).outcome == "undecided" for reading in readings):
        why = f"{case.said(worst)}, too near the limit of {case.figure(bound.value)} to say"
        return replace(told, why=why, needs=case.gauge(worst.at))
    if worst is not None and anywhere:
        return replace(told, outcome="pass", why=case.said(worst))
    if none_stated(stated):
        return replace(told, outcome="pass", why="a person looked and stated none", evidence="eye")
    count = max((reading.value for reading in stated if reading.at is None), default=None)
    if count is not None and count > len(found) + len(readings):
        return replace(told, why="more were stated than the photo shows; gauge the largest", needs=case.gauge())
    hidden, shown = evidence.sight(case.detection_kind, bound.value - (bound.U or 0))
    shown = shown or count is not None  # a person who counted no more than the photo shows saw that there are no more
    if largest is not None:
        size = f"the largest is {case.value(largest[1])}"
        why = size if shown else f"{size}, but more may be there: {hidden}"
    else:
        why = f"none is seen; {hidden}" if shown else f"none is seen, but {hidden}"
    return replace(told, outcome="pass" if shown else "undecided", why=why, needs=() if shown else case.gauge())


def judge_window(case: Case) -> Verdict:
    """Pores counted, or their diameters added up, in the worst stretch anywhere.

    For passing everything counts that may be there, at the most it may measure; for failing only what is surely
    there, at the least.
    """
    line, evidence, kind = case.line, case.evidence, case.line.kind
    assert line.window is not None
    bound, needs = case.bound(line.limit)
    window, more = case.length(line.window)
    smallest, _ = case.length(line.counts_from or "0")
    if bound.value is None or window.value is None or smallest.value is None:
        return no_bound(bound if bound.value is None else window, (*needs, *more))
    found = evidence.seen(kind.seen)
    count = max((r.value for r in evidence.readings(kind.statement) if r.at is None), default=None)
    told = Verdict("undecided", "", "photo", bound=bound.value)
    if count is not None and count >= len(found):
        if count == 0:
            return replace(told, outcome="pass", why="a person looked and stated none", evidence="eye")
        if kind.unit == "1" and count <= bound.value:
            return replace(told, outcome="pass", why=f"a person counted {count:.0f} in all", evidence="eye")
        if count > len(found):
            return replace(told, why="more were stated than the photo shows; add them up by hand", evidence="eye")
    if evidence.stopped or evidence.result.scale.state != "card":
        return replace(told, why=evidence.stopped or "there is no scale in the photo", needs=case.look())

    sure = [item for item in found if evidence.sure(item)]
    value, start = _worst(case, found, 0, window.value, smallest.value)
    high, low = (_worst(case, items, sign, window.value, smallest.value)[0] for items, sign in ((found, 1), (sure, -1)))
    if case.rule == "simple":
        high, low = value, _worst(case, sure, 0, window.value, smallest.value)[0]
    slack = 1e-9 * max(1.0, bound.value)
    guard = (bound.U or 0) if case.rule == "guarded" else 0.0
    outcome: Outcome = "undecided"
    if high <= bound.value - guard + slack:
        outcome = "pass"
    elif low > bound.value + guard + slack:
        outcome = "fail"
    measured = Quantity(value=value, U=max(high - value, value - low), unit=kind.unit, n=len(found))
    why = f"{case.value(measured)} in the worst {case.figure(window.value)}"
    told = replace(told, why=why, measured=measured, at=start)
    if outcome == "pass":
        unseen, shown = evidence.absent(case.detection_kind, smallest.value)
        told = replace(told, why=why if found else unseen)
        if not shown and count is None:  # a person who counted no more than the photo shows saw that there are no more
            hidden, _ = evidence.sight(case.detection_kind, smallest.value)
            return replace(told, why=f"{why}, but more may be there: {hidden}" if found else unseen, needs=case.look())
    return replace(told, outcome=outcome, needs=case.look(start) if outcome == "undecided" else ())


def _worst(
    case: Case, items: Sequence[Indication], sign: int, window: float, smallest: float
) -> tuple[float, float | None]:
    """Worst stretch with sizes at their value (``sign`` 0), their most (1) or their least (-1), and where it starts."""
    points = []
    for item in items:
        place, size = middle(item), item.size
        if sign < 0 and (place is None or size is None or size.value is None):
            continue
        most = window if size is None or size.value is None else size.value + sign * (size.U or 0)
        if most > 0 and most >= smallest:
            points.append((0.0 if place is None else place, 1.0 if case.line.kind.unit == "1" else most))
    total, start = worst_sum(points, window)
    return total, start if points else None
