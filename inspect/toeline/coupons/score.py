"""Scores a coupon's result against a rubric: points with their uncertainty, what failed outright, what to practise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from toeline.causes import practise
from toeline.causes.signs import WORDS
from toeline.coupons.rubric import ELECTRODE, Evidence, Item, OutrightFail, Rubric
from toeline.errors import RubricError
from toeline.evidence.evidence import Evidence as Said
from toeline.evidence.gauge import gauges
from toeline.measures.registry import MEASURES, title_of
from toeline.result import IndicationKind, Outcome, Quantity, Result, unknown
from toeline.text import sentence

#: Said of a line whose own advice would go against what comes first.
LATER = "Do what comes first on this sheet, then look at this again."


@dataclass(frozen=True, slots=True)
class Narrow:
    """What makes a score surer: a figure to give, another photo, or a ``look``, the statement that answers it."""

    text: str
    look: str | None = None


@dataclass(frozen=True, slots=True)
class ItemScore:
    """One line of a coupon's score. ``points`` is None where the photo gave no value, and ``why`` says so.

    ``U`` is how far the points move when the value moves within its own expanded uncertainty. ``narrow`` is what would
    make this line surer: a look, a figure to give, or another photo.
    """

    id: str
    title: str
    value: Quantity
    points: float | None
    U: float
    weight: float
    why: str
    coaching: str = ""
    narrow: Narrow | None = None
    counted: bool = True

    @property
    def doubt(self) -> float:
        """How many points what is not known here may move."""
        return self.weight if self.points is None else self.U

    @property
    def lost(self) -> float:
        """Points not earned; a line that is not counted has lost nothing yet."""
        return 0.0 if self.points is None or not self.counted else self.weight - self.points


@dataclass(frozen=True, slots=True)
class Score:
    """A coupon's score, by what can be known: a line without a value or in too much doubt is not counted, and the
    points of the others are taken for the whole.

    ``points`` is None where too little can be known; ``reasons`` say what decided the outcome. ``narrowed_by``
    is the one look, figure or photo that would settle most: first what could fail the coupon outright, then what moves
    the points most.
    """

    rubric: str
    rubric_digest: str
    outcome: Outcome
    points: float | None
    U: float
    of: float
    items: tuple[ItemScore, ...]
    reasons: tuple[str, ...]
    narrowed_by: Narrow | None

    @property
    def share(self) -> float | None:
        """Points as a share of all points, 0 to 1."""
        return None if self.points is None else self.points / self.of

    @property
    def open(self) -> tuple[ItemScore, ...]:
        """The lines that are not counted, those that would narrow the score most first."""
        return tuple(sorted((item for item in self.items if not item.counted), key=lambda item: -item.weight))

    @property
    def to_practise(self) -> tuple[ItemScore, ...]:
        """The lines that lost points, most first."""
        return tuple(sorted((item for item in self.items if item.lost > 0.005 * self.of), key=lambda item: -item.lost))


def score(result: Result, rubric: Rubric, reference: Result | None = None) -> Score:
    """Score a measured coupon.

    ``reference`` is the result of the bead that items with ``against = "reference"`` are compared with: their curve
    is over the difference value - reference. Nothing passes on missing evidence: an unusable photo, or points closer to
    the pass mark than their uncertainty, leave the outcome ``undecided``; so does a line without a value, unless the
    coupon passes with none of its points, or fails with all of them.

    Raises RubricError when the rubric needs a reference bead and none, or an unmeasured one, is given.
    """
    items = _with_coaching(tuple(_score_item(item, result, rubric, reference) for item in rubric.item), result, rubric)
    stops = [problem.text for problem in result.photo.problems if problem.severity == "stop"]
    if not result.photo.usable or not result.bead.found or stops:
        reasons = tuple(stops) or (result.bead.why or "The photo cannot be used.",)
        again = Narrow("Take the photo again: " + " ".join(reasons))
        return _score(rubric, "undecided", None, 0.0, items, reasons, again)

    first: Narrow | None = None
    failed, open_questions = [], []
    for rule in rubric.fails:
        value = _value(rule, result, rubric)
        if value.value is None:
            open_questions.append(sentence(f"{rule.title}: {value.why}"))
        elif value.value - (value.U or 0.0) > rule.over:
            failed.append(_say_failed(rule, value))
        elif rule.indication is not None and value.value > rule.over:
            open_questions.append(f"{rule.title}: {value.value:.0f} seen in the photo; look whether it is there.")
            first = first or _look_for(WORDS[rule.indication][0])
    missing = [item for item in items if item.points is None]
    unknown_why = tuple(sentence(f"{item.title}: {item.why}") for item in missing)
    counted = [item for item in items if item.counted]
    known = sum(item.weight for item in counted)
    earned, swing = sum(item.points or 0.0 for item in counted), hypot(*(item.U for item in counted))
    points, spread = None, 0.0
    if known >= rubric.least_known * rubric.points:
        points, spread = (rubric.points / known * each for each in (earned, swing))
    else:
        open_questions.insert(0, f"Too little can be known from the photo: {known:g} of {rubric.points:g} points.")
    if failed:
        return _score(rubric, "fail", points, spread, items, tuple(failed))
    if points is None or open_questions:
        reasons = tuple(dict.fromkeys([*open_questions, *unknown_why]))
        return _score(rubric, "undecided", points, spread, items, reasons, first)
    mark, lacking = rubric.pass_share * rubric.points, sum(item.weight for item in missing)
    share = (rubric.points - lacking) / rubric.points
    low, high = share * (points - spread), share * (points + spread) + lacking
    if low < mark <= high:
        reason = f"{points:.0f} points lie within their uncertainty of {spread:.0f} of the pass mark {mark:.0f}."
        if lacking and not abs(points - mark) < spread:
            reason = (
                f"{points:.0f} points by what is known; what is not known could move them over the mark {mark:.0f}."
            )
        return _score(rubric, "undecided", points, spread, items, (reason, *unknown_why, *_left_out(items)))
    outcome: Outcome = "pass" if low >= mark else "fail"
    reason = f"{points:.0f} points, pass mark {mark:.0f}."
    return _score(rubric, outcome, points, spread, items, (reason, *unknown_why, *_left_out(items)))


def _left_out(items: Sequence[ItemScore]) -> tuple[str, ...]:
    """Which lines are not counted, in one sentence."""
    titles = [item.title for item in items if not item.counted and item.points is not None]
    return (f"Not counted, too unsure in this photo: {', '.join(titles)}.",) if titles else ()


def _score(
    rubric: Rubric,
    outcome: Outcome,
    points: float | None,
    spread: float,
    items: tuple[ItemScore, ...],
    reasons: Sequence[str],
    first: Narrow | None = None,
) -> Score:
    unsure = [item for item in items if item.narrow is not None and 0.02 * rubric.points < item.doubt]
    most = max(unsure, key=lambda item: item.doubt).narrow if unsure else None
    of, narrow = rubric.points, first or most
    return Score(rubric.title, rubric.digest, outcome, points, spread, of, items, tuple(reasons), narrow)


def _with_coaching(items: tuple[ItemScore, ...], result: Result, rubric: Rubric) -> tuple[ItemScore, ...]:
    """The items with what to practise, of which none goes against the coach or an item that lost more points."""
    rules = {item.id: item for item in rubric.item}
    topics: dict[str, str] = {}
    for one in sorted(items, key=lambda item: -item.lost):
        topic = rules[one.id].topic(one.value.value) if one.value.value is not None and one.lost > 0 else None
        if topic is not None:
            topics[one.id] = topic
    said = dict(zip(topics, practise(result, list(topics.values())), strict=True))
    own = {one.id: rules[one.id].coaching or said.get(one.id) or LATER for one in items if one.lost > 0}
    return tuple(replace(one, coaching=own.get(one.id, "")) for one in items)


def _say_failed(rule: OutrightFail, value: Quantity) -> str:
    if rule.indication is not None:
        return f"{rule.title}: {value.value:.0f} stated."
    return f"{rule.title}: {value.value:.2f} {value.unit} is beyond {rule.over:g} {rule.unit}."


def _score_item(item: Item, result: Result, rubric: Rubric, reference: Result | None) -> ItemScore:
    value = _value(item, result, rubric)
    if item.look is not None and (said := Said(result).readings(item.look)) and not any(r.value for r in said):
        value = Quantity(value=0.0, U=0.0, unit=value.unit)  # somebody looked and there is none
    if item.against == "reference":
        value = _difference(value, _reference_value(item, rubric, reference))
    if value.value is None:
        why = value.why or "no value"
        return ItemScore(
            item.id, item.title, value, None, 0.0, item.weight, why, narrow=_narrow(item, result), counted=False
        )
    at, shares = zip(*item.curve, strict=True)
    reach = value.U or 0.0
    low, high = value.value - reach, value.value + reach
    inside = [x for x in at if low < x < high]
    share = float(np.interp(value.value, at, shares))
    around = np.interp([low, *inside, high], at, shares)
    swing = max(float(around.max()) - share, share - float(around.min()))
    return ItemScore(
        item.id,
        item.title,
        value,
        share * item.weight,
        swing * item.weight,
        item.weight,
        item.why,
        narrow=_narrow(item, result),
        counted=swing <= rubric.open_from,
    )


def _narrow(item: Item, result: Result) -> Narrow | None:
    """What makes a line surer: the figure that it is divided by, the look that settles it, or another photo."""
    if item.per == ELECTRODE and result.settings.welding.electrode_mm is None:
        return Narrow("Give the core diameter of the rod.")
    if item.look is not None:
        said = Said(result).readings(item.look)
        return None if said else _look_for(item.look)
    return Narrow(item.another_photo) if item.another_photo else None


def _look_for(statement: str) -> Narrow:
    asked = gauges()[statement].question
    return Narrow(f"Look along the whole bead and state it: {asked[0].lower()}{asked[1:]}", statement)


def _reference_value(item: Item, rubric: Rubric, reference: Result | None) -> Quantity:
    if reference is None:
        raise RubricError(f"The rubric {rubric.id} compares with a reference bead; photograph one first.")
    value = _value(item, reference, rubric)
    if value.value is None:
        raise RubricError(f"The reference bead has no value for {item.title!r}: {value.why} Photograph it again.")
    return value


def _difference(value: Quantity, reference: Quantity) -> Quantity:
    if value.value is None or reference.value is None:
        return value
    return Quantity(
        value=value.value - reference.value, U=hypot(value.U or 0.0, reference.U or 0.0), unit=value.unit, n=value.n
    )


#: From which confidence an indication counts where no rubric says; common practice, no source.
SEEN_FROM = 0.5


def _value(evidence: Evidence, result: Result, rubric: Rubric) -> Quantity:
    """The number an item or an outright fail looks at, or why there is none."""
    return evidence_of(evidence, result, rubric.seen_from)


def evidence_of(evidence: Evidence, result: Result, seen_from: float = SEEN_FROM) -> Quantity:
    """What a result says of a measure or of an indication that counts from this confidence, or why it says nothing."""
    if evidence.indication is not None:
        if not result.bead.found:
            return unknown(result.bead.why or "no bead was found", "1")
        return _count(evidence.indication, result, seen_from)
    value = _measured(str(evidence.measure), result)
    if evidence.per is None or value.value is None:
        return value
    divisor = _divisor(evidence.per, result)
    if divisor.value is None:
        return divisor
    if divisor.value == 0:
        return unknown(f"{evidence.per} is zero", "1")
    ratio = value.value / divisor.value
    spread = hypot(value.U or 0.0, ratio * (divisor.U or 0.0)) / abs(divisor.value)
    return Quantity(value=ratio, U=spread, unit="1", n=value.n)


def _count(kind: IndicationKind, result: Result, seen_from: float) -> Quantity:
    """How many of a kind there are: what a person counted, else what the photo seems to show, which may be none."""
    said = Said(result)
    words = [reading for name in WORDS.get(kind, ()) for reading in said.readings(name)]
    if words:
        there = [reading for reading in words if reading.value > 0]
        return Quantity(value=sum(1.0 if r.unit == "mm" else r.value for r in there), unit="1")
    seen = sum(1.0 for one in result.indications if one.kind == kind and one.confidence >= seen_from)
    return Quantity(value=seen, U=seen, unit="1")


def _measured(name: str, result: Result) -> Quantity:
    """A measure, if this joint has it: a fillet's face over both plates is no width that anyone could gauge."""
    joint = result.settings.joint
    if joint not in MEASURES[name].joints:
        return unknown(f"a {'bead on plate' if joint == 'bead' else joint} has no {title_of(name).lower()}")
    sides = MEASURES[name].group == "relief" and result.relief is None
    why = "it takes photos from the sides of the bead" if sides else f"{name} was not measured on this photo"
    return result.measures.get(name, unknown(why))


def _divisor(name: str, result: Result) -> Quantity:
    if name != ELECTRODE:
        return _measured(name, result)
    diameter = result.settings.welding.electrode_mm
    if diameter is None:
        return unknown("the electrode's diameter was not given", "1")
    return Quantity(value=diameter)
