"""Lines on one number: what a gauge reads, what the photo measures, or what follows from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from toeline.evidence.evidence import ASK
from toeline.evidence.needs import Need, Step
from toeline.judgement.case import Case, Verdict, as_quantity, no_bound
from toeline.judgement.decision import Decision, Sense
from toeline.judgement.located import stretch
from toeline.result import GaugeReading, Outcome, Quantity, unknown

_WORST_FIRST: tuple[Outcome, ...] = ("fail", "undecided", "pass")
_LEGS = ("leg_base", "leg_upright")
_SIDES = ("left", "right")
_AGAINST_DRAWING = ("leg_shortfall", "throat_shortfall", "throat_excess")
_RETAKE = (Need(Step.PHOTO, "Photograph the whole cleaned bead with the card beside it, sharp and evenly lit."),)
_CLOSER = (Need(Step.PHOTO, "Photograph the bead again from closer, sharp and evenly lit: that measures more surely."),)


@dataclass(frozen=True, slots=True)
class Sample:
    """One value to hold against a limit; ``proves`` names the outcomes it can carry."""

    quantity: Quantity
    how: str
    at: float | None = None
    proves: tuple[Outcome, ...] = ("pass", "fail")


@dataclass(frozen=True, slots=True)
class Samples:
    """What the photo says, what gauges say, and what to ask for where that does not settle it."""

    photo: Sequence[Sample]
    gauged: Sequence[Sample]
    ask: tuple[Need, ...]


def judge_scalar(case: Case) -> Verdict:
    """The worst value decides. Gauge readings go before the photo's; where the photo fails what a gauge passes, a
    person has to look."""
    limit = case.line.parsed()
    bound, needs = case.bound("none" if limit.word == "none" else case.line.limit)
    if bound.value is None:
        return no_bound(bound, needs)
    samples = _samples(case)
    chosen = samples.gauged or samples.photo
    verdicts = [
        _held(case, sample, bound, limit.sense, samples.ask) for sample in chosen if sample.quantity.value is not None
    ]
    unknown_why = next((sample.quantity.why for sample in chosen if sample.quantity.value is None), None)
    if not verdicts:
        return Verdict(
            "undecided",
            unknown_why or f"{case.line.kind.words} takes a gauge",
            needs=samples.ask,
            bound=bound.value,
        )
    way = 1.0 if limit.sense == "least" else -1.0

    def worst(verdict: Verdict) -> tuple[int, float]:
        value = verdict.measured.value if verdict.measured else None
        return _WORST_FIRST.index(verdict.outcome), way * (value or 0.0)

    verdict = min(verdicts, key=worst)
    if verdict.outcome != "pass":
        return verdict
    if unknown_why is not None:
        return replace(verdict, outcome="undecided", why=unknown_why, needs=samples.ask)
    if samples.gauged:
        known = [sample for sample in samples.photo if sample.quantity.value is not None]
        if any(_held(case, sample, bound, limit.sense, ()).outcome == "fail" for sample in known):
            why = f"{verdict.why}, but the photo shows worse"
            return replace(verdict, outcome="undecided", why=why, needs=samples.ask)
    return verdict


def _held(case: Case, sample: Sample, bound: Quantity, sense: Sense, ask: tuple[Need, ...]) -> Verdict:
    """One value against the limit, and the length rule where there is one."""
    kind, quantity = case.line.kind, sample.quantity
    decision = case.decide(quantity, bound, sense)
    if sample.how == "gauge" and kind.gauge and sense == "most" and quantity.value == 0:
        decision = Decision("pass", 1.0)  # a person read zero: there is none of it
    why = _in_words(case, quantity)
    told = Verdict(decision.outcome, why, sample.how, quantity, sample.at, decision.p_conform, bound=bound.value)
    if case.line.per_length is not None and told.outcome != "pass":
        told = _tolerated(case, told, ask)
    elif told.outcome == "undecided":
        told = replace(told, why=f"{why}, too near the limit to say", needs=ask)
    if told.outcome == "pass" and sample.how == "photo":
        unseen = _unseen(case)
        if unseen is not None:
            return replace(
                told, outcome="undecided", why=f"{told.why}, but {unseen}", needs=_RETAKE if ask is _CLOSER else ask
            )
    if told.outcome != "undecided" and told.outcome not in sample.proves:
        told = replace(told, outcome="undecided", why=f"{told.why}, which alone does not prove it", needs=ask)
    return told


def _in_words(case: Case, quantity: Quantity) -> str:
    """The value in words; what is on the good side of the drawing's size says how much there is to spare."""
    assert quantity.value is not None
    words = case.line.kind.words
    if case.line.of in _AGAINST_DRAWING and quantity.value < 0:
        return f"no {words}, {case.value(quantity.model_copy(update={'value': -quantity.value}))} to spare"
    return f"{words} {case.value(quantity)}"


def _unseen(case: Case) -> str | None:
    """Why a value measured in the photo may not stand for the whole weld, or None where it does."""
    if case.line.of == "spatter_per_100mm":
        why, shown = case.evidence.sight("spatter", math.inf)
        return None if shown else why
    return case.evidence.view


def _tolerated(case: Case, told: Verdict, ask: tuple[Need, ...]) -> Verdict:
    """Beyond what any length may have: inside the greater limit, and short enough?"""
    per = case.line.per_length
    assert per is not None
    assert told.measured is not None
    top, needs = case.bound(per.limit or case.line.limit)
    if top.value is None:
        return replace(no_bound(top, needs), measured=told.measured)
    over = case.decide(told.measured, top)
    told = replace(told, bound=top.value, p_conform=over.p_conform)
    if over.outcome == "fail":
        return replace(told, outcome="fail", why=f"{told.why}, beyond {case.figure(top.value)}")
    # a face that is hollow has less throat than its legs tell, so it may be too small over more
    by_throat = case.line.of == "throat_shortfall" or case.evidence.result.settings.drawing_size_is == "throat"
    long = stretch(case, None, _undersize(case), least=by_throat)
    if long.p_conform is not None:  # it has to be within both
        told = replace(told, p_conform=min(over.p_conform, long.p_conform))
    if over.outcome == long.outcome == "pass":
        outcome: Outcome = "pass"
    else:
        outcome = "fail" if told.outcome == long.outcome == "fail" else "undecided"
    closer = ask if "undecided" in (told.outcome, over.outcome) else ()  # a finer reading may settle it by itself
    needs = (*closer, *long.needs) if outcome == "undecided" else ()
    counted = "by the drawing's throat, " if by_throat and case.line.of == "leg_shortfall" else ""
    return replace(told, outcome=outcome, why=f"{told.why}; {counted}{long.why}", needs=needs)


def _undersize(case: Case) -> Quantity | None:
    """How much of the line's window is under the drawing's size, as the photo shows it; None where it does not.

    Legs are counted over the whole weld, by the drawing's throat where it gives that; a throat in the worst stretch.
    """
    per, evidence = case.line.per_length, case.evidence
    if per is None:
        return None
    if case.line.of == "throat_shortfall":
        return evidence.under_throat(case.length(per.window)[0])
    share, weld = evidence.measure("undersize_share"), evidence.values["l"]
    if case.line.of != "leg_shortfall" or per.window != "l" or share.value is None or weld.value is None:
        return None
    # the weld's body stands for all of it: at the very ends every run tapers off
    return Quantity(value=share.value * weld.value, U=(share.U or 0) * weld.value)


def _samples(case: Case) -> Samples:
    evidence, of = case.evidence, case.line.of
    match of:
        case "edge_deviation" | "straightness":
            return Samples([Sample(evidence.measure(f"{side}_{of}"), "photo") for side in _SIDES], (), _CLOSER)
        case "width_range":
            width = difference(evidence.measure("width_max"), evidence.measure("width_min"))
            return Samples([Sample(width, "photo")], (), _CLOSER)
        case "width_variation" | "ripple_variation" | "spatter_per_100mm":
            return Samples([Sample(evidence.measure(of), "photo")], (), _CLOSER)
        case "leg_difference":
            return _leg_difference(case)
        case "leg_shortfall":
            return _leg_shortfall(case)
        case "throat_shortfall" | "throat_excess":
            return _throat(case)
    gauged = [Sample(as_quantity(r), "gauge", r.at) for r in evidence.readings(case.line.kind.gauge)]
    return Samples((), gauged, case.gauge(evidence.narrowest))


def _leg_difference(case: Case) -> Samples:
    """How far the legs differ: both gauged, or the most the photo shows in any one section."""
    evidence = case.evidence
    photo = [Sample(evidence.measure("leg_inequality_max"), "photo")]
    base, upright = (_smallest(evidence.readings(name)) for name in _LEGS)
    gauged = []
    if base is not None and upright is not None:
        gauged = [Sample(_apart(as_quantity(base), as_quantity(upright)), "gauge")]
    return Samples(photo, gauged, tuple(need for name in _LEGS for need in case.gauge(name=name)))


def _leg_shortfall(case: Case) -> Samples:
    """What each leg lacks to the drawing's at its smallest; a mean leg can only show that there is too little."""
    evidence, nominal = case.evidence, case.evidence.values["z"]
    photo, gauged, missing = [], [], []
    for name in _LEGS:
        least = evidence.measure(f"{name}_min")
        mean = difference(nominal, evidence.measure(name))
        seen = Sample(mean, "photo", proves=("fail",))
        if least.value is not None:
            seen = Sample(difference(nominal, least), "photo", evidence.measure(f"{name}_min_at").value)
        photo.append(seen)
        readings = evidence.readings(name)
        gauged += [Sample(difference(nominal, as_quantity(r)), "gauge", r.at) for r in readings]
        missing += [] if readings else [seen]
    if gauged:
        gauged += missing
    if nominal.value is None:
        return Samples(photo, gauged, (Need(Step.SETTING, ASK["z"]),))
    places = {name: evidence.measure(f"{name}_min_at").value for name in _LEGS}
    return Samples(photo, gauged, tuple(need for name in _LEGS for need in case.gauge(places[name], name=name)))


def _throat(case: Case) -> Samples:
    """Throat against the drawing's. The legs give the most that can be there, as a hollow face has less: they can
    prove a throat too small and nothing else."""
    evidence, nominal = case.evidence, case.evidence.values["a"]
    small = case.line.of == "throat_shortfall"
    theoretical = evidence.measure("throat_min")
    if theoretical.value is None or not small:
        theoretical = evidence.measure("throat")

    def against(throat: Quantity) -> Quantity:
        return difference(nominal, throat) if small else difference(throat, nominal)

    at = evidence.measure("throat_min_at").value if small else None
    photo = [Sample(against(theoretical), "photo", at, proves=("fail",) if small else ())]
    gauged = [Sample(against(as_quantity(r)), "gauge", r.at) for r in evidence.readings("throat")]
    if nominal.value is None:
        return Samples(photo, gauged, (Need(Step.SETTING, ASK["a"]),))
    return Samples(photo, gauged, case.gauge(evidence.narrowest if at is None else at, name="throat"))


def difference(more: Quantity, less: Quantity) -> Quantity:
    """``more - less`` with U from both, or why not."""
    if more.value is None or less.value is None:
        return unknown(more.why or less.why or "it is not known")
    return Quantity(value=more.value - less.value, U=math.hypot(more.U or 0, less.U or 0), unit=more.unit)


def _apart(one: Quantity, other: Quantity) -> Quantity:
    apart = difference(one, other)
    return apart if apart.value is None else apart.model_copy(update={"value": abs(apart.value)})


def _smallest(readings: Sequence[GaugeReading]) -> GaugeReading | None:
    return min(readings, key=lambda reading: reading.value, default=None)
