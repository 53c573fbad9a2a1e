"""Lines on a depth or width that the photo can place but not measure: undercut, overlap, crater."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from toeline.criteria.expression import expression
from toeline.criteria.model import VARIABLES
from toeline.evidence.evidence import middle, span
from toeline.evidence.windows import worst_length
from toeline.judgement.case import Case, Verdict, as_quantity, no_bound, none_stated
from toeline.result import GaugeReading, Indication, Outcome, Quantity
from toeline.units import length


def judge_located(case: Case) -> Verdict:
    """Every run the photo shows takes a gauge reading; a reading without a place is the worst anywhere.

    A reading inside a run is taken as the deepest of that run. Where all readings have places, the rest of the weld
    passes by the photo's own trusted size or a person's statement only. With a length rule, what is deeper than any
    length may have must stay inside the greater limit and be short enough in the worst stretch.
    """
    line, evidence, kind = case.line, case.evidence, case.line.kind
    per = line.per_length
    free, needs = case.bound(line.limit)
    top, more = (free, needs) if per is None else case.bound(per.limit or line.limit)
    if free.value is None or top.value is None:
        return no_bound(free if free.value is None else top, (*needs, *more))
    readings, stated = evidence.readings(kind.gauge), evidence.readings(kind.statement)
    anywhere = any(reading.at is None for reading in readings)
    nothing = [reading for reading in (*stated, *readings) if reading.value == 0]
    runs = [run for run in evidence.seen(kind.seen) if not any(evidence.near(r, run) for r in nothing)]
    worst = max(readings, key=lambda reading: reading.value + (reading.U or 0), default=None)
    told = Verdict(
        "undecided", "", "photo and gauge" if readings and runs else "gauge" if readings else "photo", bound=top.value
    )
    if worst is not None:
        told = replace(told, measured=as_quantity(worst), at=worst.at, p_conform=case.read(worst, top).p_conform)

    over = [reading for reading in readings if case.read(reading, top).outcome == "fail"]
    if over:
        deepest = max(over, key=lambda reading: reading.value)
        told = replace(told, measured=as_quantity(deepest), at=deepest.at, p_conform=case.read(deepest, top).p_conform)
        return replace(told, outcome="fail", why=f"{case.said(deepest)}, beyond {case.figure(top.value)}")
    sure = [run for run in runs if evidence.sure(run)]
    if per is not None and line.limit == "none" and sure:
        long = stretch(case, sure)
        if long.outcome == "fail":
            return replace(
                told,
                outcome="fail",
                why=f"{long.why}, whatever its depth",
                measured=long.measured,
                p_conform=long.p_conform,
            )

    bare = [run for run in runs if not any(evidence.near(r, run) for r in readings)]
    if bare and not anywhere:
        places = [middle(run) for run in sorted(bare, key=_extent, reverse=True)]
        why = f"the photo shows {case.where(sorted(bare, key=_extent, reverse=True))}; its {kind.words} takes a gauge"
        return replace(told, why=why, at=places[0], p_conform=None, needs=case.gauge(*places))
    if not anywhere:
        if any(reading.value > 0 for reading in stated):
            return replace(told, why="some was stated; how much takes a gauge", evidence="eye", needs=case.gauge())
        if none_stated(stated):
            why, shown = "a person looked and stated none", True
            told = replace(told, evidence="gauge and eye" if readings else "eye")
        else:
            why, shown = evidence.absent(case.detection_kind, free.value - (free.U or 0))
        if not shown:
            trusted = case.detection_kind in evidence.detection
            ask = case.gauge() if trusted else case.look()
            return replace(told, why=f"elsewhere {why}" if readings else why, p_conform=None, needs=ask)
        if not readings:
            return replace(told, outcome="pass", why=why)

    assert worst is not None
    if all(case.read(reading, free).outcome == "pass" for reading in readings):
        return replace(
            told, outcome="pass", why=case.said(worst), p_conform=case.read(worst, free).p_conform, bound=free.value
        )
    if per is None or any(case.read(reading, top).outcome == "undecided" for reading in readings):
        why = f"{case.said(worst)}, too near the limit of {case.figure(top.value)} to say"
        return replace(told, why=why, needs=case.gauge(worst.at))
    long = stretch(case, _deep_runs(case, runs, readings, free))
    certain = all(case.read(reading, free).outcome != "undecided" for reading in readings)
    outcome: Outcome = "undecided" if long.outcome == "fail" and not certain else long.outcome
    return replace(told, outcome=outcome, why=f"{case.said(worst)}; {long.why}", needs=long.needs)


def _deep_runs(
    case: Case, runs: Sequence[Indication], readings: Sequence[GaugeReading], free: Quantity
) -> list[Indication] | None:
    """Runs that may be deeper than any length may have; None where a deep reading belongs to no run of the photo."""
    evidence = case.evidence
    deep = [reading for reading in readings if case.read(reading, free).outcome != "pass"]
    own = {id(run): [reading for reading in readings if evidence.near(reading, run)] for run in runs}
    found = [run for run in runs if any(r in deep for r in own[id(run)] or [r for r in readings if r.at is None])]
    for reading in deep:
        at_home = [run for run in found if evidence.near(reading, run) or (reading.at is None and not own[id(run)])]
        if not at_home:
            return None
    return found


def stretch(
    case: Case, runs: Sequence[Indication] | None, measured_mm: Quantity | None = None, *, least: bool = False
) -> Verdict:
    """Runs against the line's length rule, in the worst stretch anywhere; None where their length is not known.

    A gauged length (the kind's ``extent``) goes before the photo's. From the photo a run's whole length counts: where
    the line allows none outside the rule all of it does, else it is only the most that can be deeper. A length that
    the photo measures outright may stand in place of runs (``measured_mm``); where it is the ``least`` that can be
    there, it can show too much of it and nothing else.
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
    gauged = max(evidence.readings(extent), key=lambda reading: reading.value, default=None)
    if gauged is not None:
        measured = as_quantity(gauged)
    elif measured_mm is not None:
        measured = measured_mm
    elif runs is None or any(None in span(run) for run in runs):
        return Verdict("undecided", "how long it is takes a gauge", needs=case.gauge(name=extent))
    else:
        spans = [(start, end) for start, end in map(span, runs) if start is not None and end is not None]
        # the ends of runs are found one by one, so their errors add up as independent ones
        U = evidence.detection["run_u_mm"] * math.sqrt(len(spans))
        measured = Quantity(value=worst_length(spans, window.value)[0], U=U)
    decision = case.decide(measured, allowed)
    assert allowed.value is not None
    where = "the weld" if per.window == "l" else f"the worst {case.figure(window.value)}"
    amount = case.value(measured) if measured.U else length(measured.value or 0.0, evidence.unit)
    why = f"{amount} of it in {where}, {length(allowed.value, evidence.unit)} allowed"
    as_printed = per.share is None and "l" not in _names(per.length) | _names(per.window)
    if as_printed and weld.value is not None and weld.value < window.value:
        why += " (the weld is shorter than that; the figure is taken as printed)"
    outcome: Outcome = decision.outcome
    from_runs = gauged is None and measured_mm is None
    if from_runs and outcome == "fail" and case.line.limit != "none":
        outcome, why = "undecided", f"at most {why}; how much of that is deeper takes a gauge"
    if from_runs and outcome == "pass":
        free, _ = case.bound(case.line.limit)
        unseen, shown = evidence.sight(case.detection_kind, (free.value or 0) - (free.U or 0))
        if not shown:
            outcome, why = "undecided", f"{why}; more may be there: {unseen}"
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
