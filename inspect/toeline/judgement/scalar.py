"""Lines on one number: what a gauge reads, what the photo measures, or what follows from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from toeline.evidence.evidence import ask
from toeline.evidence.needs import Need, Step
from toeline.judgement.case import Case, Told, Verdict, as_quantity, no_bound
from toeline.judgement.decision import Decision, Sense
from toeline.judgement.located import stretch
from toeline.result import GaugeReading, Outcome, Quantity, Settings, unknown

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
    none: bool = False


@dataclass(frozen=True, slots=True)
class Samples:
    """What speaks for the whole weld together, what else can show a failure, and what to ask for otherwise."""

    decisive: Sequence[Sample]
    others: Sequence[Sample]
    ask: tuple[Need, ...]


def judge_scalar(case: Case) -> Verdict:
    """The worst value of what speaks for the whole weld decides; a gauge goes before a relief, that before the photo.

    A gauge that reads too much at one place fails the line; where a relief or the photo fails what a gauge passes, a
    person has to look.
    """
    limit = case.line.parsed()
    bound, needs = case.bound("none" if limit.word == "none" else case.line.limit)
    if bound.value is None:
        return no_bound(bound, needs)
    samples = _samples(case)
    way = 1.0 if limit.sense == "least" else -1.0

    def held(some: Sequence[Sample]) -> list[Verdict]:
        known = [sample for sample in some if sample.quantity.value is not None]
        verdicts = [_held(case, sample, bound, limit.sense, samples.ask) for sample in known]
        return sorted(verdicts, key=worst_first)

    def worst_first(verdict: Verdict) -> tuple[int, float]:
        value = verdict.measured.value if verdict.measured else None
        return _WORST_FIRST.index(verdict.outcome), way * (value or 0.0)

    others = held(samples.others)
    gauged = next((verdict for verdict in others if verdict.outcome == "fail" and verdict.evidence == "gauge"), None)
    verdict = next(iter(held(samples.decisive)), None)
    if gauged is not None and (verdict is None or verdict.outcome != "fail"):
        return gauged
    against = next((one for one in others if one.outcome == "fail"), None)
    if verdict is None:
        if others:
            return others[0]
        unknown_why = next((sample.quantity.why for sample in samples.decisive), None)
        why = unknown_why or f"{case.line.kind.words} takes a gauge"
        return Verdict("undecided", why, needs=samples.ask, bound=bound.value)
    if verdict.outcome != "pass":
        return verdict
    unknown_why = next((sample.quantity.why for sample in samples.decisive if sample.quantity.value is None), None)
    if unknown_why is not None:
        return replace(verdict, outcome="undecided", why=unknown_why, needs=samples.ask)
    if against is not None:
        why = f"{verdict.why}, but the {against.evidence} shows worse"
        return replace(verdict, outcome="undecided", why=why, needs=samples.ask)
    return verdict


def _held(case: Case, sample: Sample, bound: Quantity, sense: Sense, ask: tuple[Need, ...]) -> Verdict:
    """One value against the limit, and the length rule where there is one."""
    quantity = sample.quantity
    decision = case.decide(quantity, bound, sense)
    if sample.none and sense == "most":
        decision = Decision("pass", 1.0)  # a person felt for it and found none
    why = _in_words(case, quantity)
    told = Verdict(decision.outcome, why, sample.how, quantity, sample.at, decision.p_conform, bound=bound.value)
    if case.line.per_length is not None and told.outcome != "pass":
        told = _tolerated(case, told, ask)
    elif told.outcome == "undecided":
        told = replace(told, why=f"{why}, too near the limit to say", needs=ask)
    if told.outcome == "pass" and sample.how.startswith("photo"):
        unseen = case.evidence.view
        if unseen is not None:
            return replace(
                told, outcome="undecided", why=f"{told.why}, but {unseen}", needs=_RETAKE if ask is _CLOSER else ask
            )
    if told.outcome != "undecided" and told.outcome not in sample.proves:
        alone = "which speaks for that place only" if sample.at is not None else "which alone does not prove it"
        told = replace(told, outcome="undecided", why=f"{told.why}, {alone}", needs=ask, p_conform=None)
    return told


def _in_words(case: Case, quantity: Quantity) -> str:
    """The value in words; what is on the good side of the drawing's size says how much there is to spare."""
    assert quantity.value is not None
    words = case.line.kind.words
    if case.line.of in _AGAINST_DRAWING and quantity.value < 0:
        return f"no {words}, {case.value(quantity.model_copy(update={'value': -quantity.value}))} to spare"
    return f"{words} {case.value(quantity)}"


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
    long = stretch(case, _undersize(case), least=by_throat)
    if long.p_conform is not None:  # it has to be within both
        told = replace(told, p_conform=min(over.p_conform, long.p_conform))
    if over.outcome == long.outcome == "pass":
        outcome: Outcome = "pass"
    else:
        outcome = "fail" if told.outcome == long.outcome == "fail" else "undecided"
    closer = ask if "undecided" in (told.outcome, over.outcome) else ()  # a finer reading may settle it by itself
    needs = (*closer, *long.needs) if outcome == "undecided" else ()
    counted = "by the drawing's throat, " if by_throat and case.line.of == "leg_shortfall" else ""
    part = ""
    if told.outcome == "fail" and outcome == "undecided":
        part = f", too small; up to {case.figure(top.value)} may be missing over a part of the weld"
    return replace(told, outcome=outcome, why=f"{told.why}{part}; {counted}{long.why}", needs=needs)


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
        case "spatter_per_100mm":
            return _spatter(case)
        case "width_variation" | "ripple_variation":
            return Samples([Sample(evidence.measure(of), "photo")], (), _CLOSER)
        case "leg_difference":
            return _leg_difference(case)
        case "leg_shortfall":
            return _leg_shortfall(case)
        case "throat_shortfall":
            return _throat_shortfall(case)
        case "throat_excess":
            return _throat_excess(case)
    return _surest([_sample(one) for one in case.told], case.gauge(evidence.narrowest))


def _spatter(case: Case) -> Samples:
    """A person's count over the weld's length; a photo finds some, not surely all, and takes other spots for balls."""
    evidence, weld = case.evidence, case.evidence.values["l"]
    photo = Sample(evidence.measure("spatter_per_100mm"), "photo", proves=())
    counted = []
    for reading in evidence.whole(case.line.kind.statement):
        per = unknown(weld.why or "the weld's length is not known", "1")
        if weld.value:
            each = 100 * reading.value / weld.value
            per = Quantity(value=each, U=each * (weld.U or 0) / weld.value, unit="1")
        counted.append(Sample(per, "eye", none=reading.value == 0))
    return Samples(counted, [photo], case.look())


def _sample(told: Told) -> Sample:
    proves: tuple[Outcome, ...] = ("pass", "fail") if told.speaks_for_all else ("fail",)
    return Sample(told.quantity, told.how, told.at, proves, none=told.none)


def _surest(samples: Sequence[Sample], ask: tuple[Need, ...]) -> Samples:
    """The samples with those that speak for the whole weld put first: a gauge's, else what else there is."""
    speaking = [sample for sample in samples if "pass" in sample.proves and sample.quantity.known]
    decisive = [sample for sample in speaking if sample.how.endswith("gauge")] or speaking
    return Samples(decisive, [sample for sample in samples if sample not in decisive], ask)


def _leg_difference(case: Case) -> Samples:
    """How far the legs differ: gauged in one section, or the most the photo shows in any.

    The smallest of each leg lie in sections of their own: where they differ, some section's legs differ as much.
    """
    evidence = case.evidence
    samples = [_sample(one) for one in case.told]
    samples.append(Sample(evidence.measure("leg_inequality_max"), "photo"))
    base, upright = (_smallest(evidence.whole(name)) for name in _LEGS)
    if base is not None and upright is not None:
        apart = _apart(as_quantity(base), as_quantity(upright))
        samples.append(Sample(apart, "gauge", proves=("fail",)))
    return _surest(samples, case.gauge(name="leg_difference"))


def _leg_shortfall(case: Case) -> Samples:
    """What each leg lacks to the drawing's at its smallest; a mean leg can only show that there is too little."""
    evidence, nominal = case.evidence, case.evidence.values["z"]
    decisive, others = [], []
    for name in _LEGS:
        least, at = evidence.measure(f"{name}_min"), evidence.measure(f"{name}_min_at").value
        photo = Sample(difference(nominal, least), "photo", at)
        if least.value is None:
            photo = Sample(difference(nominal, evidence.measure(name)), "photo", proves=("fail",))
        whole = [Sample(difference(nominal, as_quantity(r)), "gauge") for r in evidence.whole(name)]
        placed = [Sample(difference(nominal, as_quantity(r)), "gauge", r.at, ("fail",)) for r in evidence.placed(name)]
        decisive += whole or [photo]
        others += [*placed, photo] if whole else placed
    if nominal.value is None:
        return Samples(decisive, others, (ask("z"),))
    places = {name: evidence.measure(f"{name}_min_at").value for name in _LEGS}
    return Samples(decisive, others, tuple(need for name in _LEGS for need in case.gauge(places[name], name=name)))


def _throat_shortfall(case: Case) -> Samples:
    """What the throat lacks to the drawing's, at its smallest.

    The legs give the most that can be there: alone they can prove a throat too small and nothing else. Less the
    deepest hollow of the face, they give the least that can be there.
    """
    evidence, nominal = case.evidence, case.evidence.values["a"]
    at = evidence.measure("throat_min_at").value
    by_legs = evidence.measure("throat_min")
    if by_legs.value is None:
        by_legs = evidence.measure("throat")

    def lacks(throat: Quantity, how: str, at: float | None = None, *, whole: bool = True) -> Sample:
        return Sample(difference(nominal, throat), how, at, ("pass", "fail") if whole else ("fail",))

    samples = [
        *(lacks(as_quantity(r), "gauge", r.at, whole=r.at is None) for r in evidence.readings("throat")),
        *(lacks(one.quantity, one.how, one.at, whole=one.speaks_for_all) for one in case.told),
        lacks(by_legs, "photo", at, whole=False),
    ]
    base, upright = (_smallest(evidence.whole(name)) for name in _LEGS)
    gauged = _throat_of(base, upright, evidence.result.settings)
    hollow = max(evidence.whole("concavity"), key=lambda reading: reading.value, default=None)
    if hollow is not None and not evidence.whole("throat"):
        deep = as_quantity(hollow)
        legs = [(by_legs, "photo and gauge")] if evidence.measure("throat_min").known else []
        legs += [(gauged, "gauge")] if gauged is not None else []
        least = [Sample(difference(nominal, difference(each, deep)), how, proves=("pass",)) for each, how in legs]
        samples += least[-1:]
    if nominal.value is None:
        return _surest(samples, (ask("a"),))
    place = evidence.narrowest if at is None else at
    return _surest(samples, case.gauge(place, name="throat"))


def _throat_of(base: GaugeReading | None, upright: GaugeReading | None, settings: Settings) -> Quantity | None:
    """The throat of the triangle that the two smallest legs span; None without both."""
    if base is None or upright is None:
        return None
    angle = math.radians(settings.joint_angle_deg or 90.0)

    def throat(a: float, b: float) -> float:
        return a * b * math.sin(angle) / math.sqrt(a * a + b * b - 2 * a * b * math.cos(angle)) if a and b else 0.0

    value = throat(base.value, upright.value)
    steps = (
        throat(max(0.0, base.value - (base.U or 0)), upright.value) - value,
        throat(base.value, max(0.0, upright.value - (upright.U or 0))) - value,
    )
    return Quantity(value=value, U=math.hypot(*steps))


def _throat_excess(case: Case) -> Samples:
    """What the throat has over the drawing's, at its largest; at its smallest it can only show too much."""
    evidence, nominal = case.evidence, case.evidence.values["a"]
    samples = [
        Sample(
            difference(as_quantity(r), nominal),
            "gauge",
            r.at,
            ("pass", "fail") if r.at is None and name == "throat_largest" else ("fail",),
        )
        for name in ("throat_largest", "throat")
        for r in evidence.readings(name)
    ]
    if nominal.value is None:
        return _surest(samples, (ask("a"),))
    return _surest(samples, case.gauge(name="throat_largest"))


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
