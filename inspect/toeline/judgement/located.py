"""Lines on a depth, width or length that the photo can place but not tell: undercut, overlap, crater."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from toeline.criteria.expression import expression
from toeline.criteria.model import VARIABLES
from toeline.evidence.evidence import middle, span
from toeline.judgement.case import Case, Told, Verdict, as_quantity, no_bound, none_stated
from toeline.result import GaugeReading, Indication, Outcome, Quantity
from toeline.units import length


def judge_located(case: Case) -> Verdict:
    """A gauge reading or a relief of the whole weld decides; what the photo shows says where to read.

    A reading with a place can fail the line and pass it nowhere else. A look passes only what is no depth. With a
    length rule, what is deeper than any length may have must stay inside the greater limit and be short enough, by a
    gauge, in the worst stretch.
    """
    line, evidence, kind = case.line, case.evidence, case.line.kind
    per = line.per_length
    free, needs = case.bound(line.limit)
    top, more = (free, needs) if per is None else case.bound(per.limit or line.limit)
    if free.value is None or top.value is None:
        return no_bound(free if free.value is None else top, (*needs, *more))
    stated = evidence.readings(kind.statement)
    runs = _unread(case, stated)
    places = [middle(run) for run in sorted(runs, key=_extent, reverse=True)]
    worst = max(case.told, key=_most, default=None)
    told = Verdict("undecided", "", _how(case.told, photo=bool(runs)), bound=top.value)
    if worst is not None:
        p = case.read(worst, top).p_conform
        told = replace(told, why=case.in_words(worst), measured=worst.quantity, at=worst.at, p_conform=p)

    over = [one for one in case.told if case.read(one, top).outcome == "fail"]
    if over:
        deepest = max(over, key=lambda one: one.quantity.value or 0.0)
        why = f"{case.in_words(deepest)}, beyond {case.figure(top.value)}"
        p = case.read(deepest, top).p_conform
        return replace(
            told, outcome="fail", why=why, measured=deepest.quantity, at=deepest.at, p_conform=p, evidence=deepest.how
        )
    seen = case.may_be(sorted(runs, key=_extent, reverse=True)) if runs else ""
    all_along = [one for one in case.told if one.speaks_for_all]
    if not all_along:
        if not kind.depth and none_stated(stated) and not runs and not any(r.value > 0 for r in stated):
            return replace(told, outcome="pass", why=case.looked(stated), evidence="eye")
        at, ask = (places[0] if places else told.at), case.gauge(*places)
        if worst is not None:
            why = f"{told.why}, which speaks for that place only" + (f"; {seen}" if seen else "")
        elif any(reading.value > 0 for reading in stated):
            why, told = f"some was stated; its {kind.words} takes a gauge", replace(told, evidence="eye")
        elif runs:
            why = f"{seen}; its {kind.words} takes a gauge"
        elif kind.depth:
            why = f"neither a photo nor a look tells a {kind.words}: it takes a gauge"
        else:
            why, ask = "a photo cannot show that there is none", case.look()
        return replace(told, why=why, at=at, p_conform=None, needs=ask)
    assert worst is not None
    nothing = all(one.none for one in all_along)
    if nothing and (runs or any(reading.value > 0 for reading in stated)):
        why = f"{told.why}, but {seen or 'some was stated'}; gauge it there"
        return replace(told, why=why, at=places[0] if places else None, p_conform=None, needs=case.gauge(*places))
    if all(case.read(one, free).outcome == "pass" for one in case.told):
        return replace(told, outcome="pass", p_conform=case.read(worst, free).p_conform, bound=free.value)
    if per is None or any(case.read(one, top).outcome == "undecided" for one in case.told):
        why = f"{told.why}, too near the limit of {case.figure(top.value)} to say"
        return replace(told, why=why, needs=case.gauge(worst.at))
    long = stretch(case, _deeper(case, free))
    certain = all(case.read(one, free).outcome != "undecided" for one in case.told)
    outcome: Outcome = "undecided" if long.outcome == "fail" and not certain else long.outcome
    return replace(told, outcome=outcome, why=f"{told.why}; {long.why}", needs=long.needs)


def _deeper(case: Case, free: Quantity) -> Quantity | None:
    """How much of the worst stretch the relief tells to be deeper than any length may be; None without a relief."""
    per = case.line.per_length
    window = case.length(per.window)[0].value if per is not None else None
    if window is None or free.value is None:
        return None
    return case.evidence.deeper(case.line.kind.relief, free.value, window)


def _unread(case: Case, stated: Sequence[GaugeReading]) -> list[Indication]:
    """What the photo seems to show and nobody read, or stated to be none, at its place."""
    near = case.evidence.near
    read = [one.by for one in case.told if one.by is not None]
    told = [*read, *(reading for reading in stated if reading.value == 0)]
    return [run for run in case.evidence.seen(case.line.kind.seen) if not any(near(reading, run) for reading in told)]


def _how(told: Iterable[Told], *, photo: bool) -> str:
    """What the verdict rests on."""
    return " and ".join(dict.fromkeys([one.how for one in told])) or ("photo" if photo else "none")


def _most(told: Told) -> float:
    return (told.quantity.value or 0.0) + (told.quantity.U or 0.0)


def stretch(case: Case, measured_mm: Quantity | None = None, *, least: bool = False) -> Verdict:
    """How long it is against the line's length rule, in the worst stretch anywhere.

    A gauged length (the kind's ``extent``) goes before one that the photo measures outright (``measured_mm``); where
    that is the ``least`` that can be there, it can show too much of it and nothing else.
    """
    per, extent, evidence = case.line.per_length, case.line.kind.extent, case.evidence
    assert per is not None
    weld = evidence.values["l"]
    window, needs = case.length(per.window)
    allowed, more = case.length(per.length)
    if window.value is None or allowed.value is None:
        return no_bound(window if window.value is None else allowed, (*needs, *more))
    if per.share is not None:
        if weld.value is None:
            return Verdict("undecided", f"how much is allowed depends on the weld's length: {weld.why}")
        if weld.value < window.value:
            allowed = Quantity(value=per.share * weld.value, U=per.share * (weld.U or 0))
    gauged = max(evidence.whole(extent), key=lambda reading: reading.value, default=None)
    measured = measured_mm if gauged is None else as_quantity(gauged)
    if measured is None or (least and gauged is None and not measured.value):
        return Verdict("undecided", "how long it is takes a gauge", needs=case.gauge(name=extent))
    decision = case.decide(measured, allowed)
    where = "the weld" if per.window == "l" else f"the worst {case.figure(window.value)}"
    amount = case.value(measured) if measured.U else length(measured.value or 0.0, evidence.unit)
    assert allowed.value is not None
    why = f"{amount} of it in {where}, {length(allowed.value, evidence.unit)} allowed"
    as_printed = per.share is None and "l" not in _names(per.length) | _names(per.window)
    if as_printed and weld.value is not None and weld.value < window.value:
        why += " (the weld is shorter than that; the figure is taken as printed)"
    outcome: Outcome = decision.outcome
    if least and gauged is None and outcome == "pass":
        outcome, why = "undecided", f"at least {why}; whether it goes on further takes a gauge"
    ask = case.gauge(name=extent) if outcome == "undecided" else ()
    return Verdict(outcome, why, measured=measured, p_conform=decision.p_conform, needs=ask)


def _names(text: str) -> frozenset[str]:
    """The quantities that a length of a rule depends on."""
    return expression(text, VARIABLES.keys()).names


def _extent(indication: Indication) -> float:
    start, end = span(indication)
    return 0.0 if start is None or end is None else end - start
