"""Before and after: the last advice, and whether the measure that it aimed at moved beyond the tool's own spread."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt
from typing import Literal

from toeline.coupons.drills import Done, NextDrill, Reached, figure_of_likeliest, in_words, next_drill
from toeline.coupons.learner import HEADINGS
from toeline.coupons.rubric import ELECTRODE, Evidence, Rubric
from toeline.coupons.score import evidence_of, score
from toeline.measures.figures import RepeatabilityFigures
from toeline.measures.registry import MEASURES, ids, title_of
from toeline.names import INDICATIONS
from toeline.result import Quantity, Result
from toeline.units import Unit, in_unit, rod

#: Two photos of the same thing differ by less than this many repeatability deviations in 95 of 100 pairs:
#: 1.96 times the square root of 2, the repeatability limit of ISO 5725-6:1994, 4.1.4.
LIMIT_FACTOR = 1.96 * sqrt(2.0)
#: Said below every comparison.
MOVED_MEANS = (
    "Moved: by more than two photos of one bead differ (2.77 standard deviations of the tool, ISO 5725-6) and by more "
    "than both uncertainties (k\u00a0=\u00a02) together. One bead is one sample."
)
Verdict = Literal[
    "moved the right way", "moved the wrong way", "moved", "not beyond the tool's spread", "cannot be told"
]


@dataclass(frozen=True, slots=True)
class Change:
    """One figure before and after. ``limit`` is what it has to move by to mean something: the greater of the
    repeatability limit and of both uncertainties together; ``why`` says why nothing can be told."""

    of: Evidence
    called: str
    before: Quantity
    after: Quantity
    limit: float | None
    verdict: Verdict
    why: str = ""

    def in_words(self, unit: Unit = "mm") -> str:
        """Both figures and what they mean, as a sentence."""
        called = in_unit(self.called, unit)
        name = f"{called[0].upper()}{called[1:]}"
        if self.verdict == "cannot be told":
            return f"{name}: cannot be told. {self.why}".strip()
        had, has = (in_words(self.of, q.value or 0.0, unit, q.U) for q in (self.before, self.after))
        least = (
            "" if self.limit is None else f" (it has to move by {in_words(self.of, self.limit, unit)} to mean anything)"
        )
        return f"{name}: {had} before, {has} now: {self.verdict}{least if self.verdict.startswith('not') else ''}."


@dataclass(frozen=True, slots=True)
class Progress:
    """What a learner's next photo says of the last advice.

    ``advice`` is the last sheet's one thing, ``heading`` what it was headed by, ``drill`` its drill; ``aim`` the figure
    that it aimed at, None where it aimed at none. Where it was to look first, ``aim`` is that by which the likeliest
    trouble shows, and ``why`` says so. ``reached``: whether the figure is reached now. ``others`` are the measures of a
    hand, before and after. ``differ`` says what else was not the same.
    """

    advice: str
    heading: str
    drill: NextDrill | None
    aim: Change | None
    why: str
    reached: Reached
    others: tuple[Change, ...]
    differ: tuple[str, ...]

    def aim_in_words(self, unit: Unit = "mm", electrode_mm: float | None = None) -> str:
        """Whether what was aimed at moved, as sentences."""
        if self.aim is None:
            return self.why
        words = f"{self.why} {self.aim.in_words(unit)}".strip()
        if isinstance(self.aim.of, Done) and self.aim.of.indication is None:
            is_reached = {"yes": "That is reached.", "no": "That is not reached yet."}
            asked = f"It is to be {self.aim.of.limits_in_words(unit, electrode_mm)}."
            words += f" {asked} {is_reached.get(self.reached, 'Whether that is reached cannot be told.')}"
        return words


def compare(before: Result, after: Result, rubric: Rubric | None = None) -> Progress:
    """What moved from one bead of a learner to the next, held against what the first one's sheet advised.

    With a ``rubric`` the advice is that of its sheet, which may be about what lost most points.
    """
    scored = score(before, rubric) if rubric is not None and not rubric.needs_reference else None
    drill = next_drill(before, scored, rubric)
    coach = before.coaching
    advice, heading = (coach.first, HEADINGS[coach.first_is]) if coach else ("", "")
    done, why = (drill.done, "") if drill else (None, "")
    if drill is not None and done is None and (likeliest := figure_of_likeliest(before)) is not None:
        trouble, done = likeliest
        why = f"The last advice was to find out first. By what the likeliest trouble, {trouble}, shows:"
    aim = None if done is None else _change(done, _name_of(done), before, after)
    reached: Reached = "cannot be told" if aim is None or done is None else done.reached(aim.after)
    why = why if aim else _no_aim(before)
    joint = after.settings.joint
    hands = [name for name in ids(trend=True) if joint in MEASURES[name].joints]
    others = tuple(_change(Evidence(measure=name), title_of(name), before, after) for name in hands)
    return Progress(advice, heading, drill, aim, why, reached, others, _differ(before, after))


def _name_of(done: Done) -> str:
    """What a drill's figure is of, before a colon."""
    return done.called if done.indication is None else INDICATIONS[done.indication]


def _no_aim(before: Result) -> str:
    if before.stopped or before.coaching is None:
        return "The photo before could not be used, so there was no advice."
    return "The last advice aimed at no measure: it was to look, or for your instructor to see."


def _change(evidence: Evidence, called: str, before: Result, after: Result) -> Change:
    had, has = evidence_of(evidence, before), evidence_of(evidence, after)

    def untold(why: str) -> Change:
        return Change(evidence, called.rstrip(","), had, has, None, "cannot be told", why)

    if before.settings.joint != after.settings.joint:
        return untold("The two are not the same kind of joint.")
    if had.value is None or has.value is None:
        which, why = ("before", had.why) if had.value is None else ("now", has.why)
        return untold(f"Not known {which}: {why}.".replace("..", "."))
    if evidence.indication is not None and (had.U or has.U):
        return untold("The photo only seems to show it: look, and state what is there.")
    spread = _spread(evidence, before)
    limit = max(hypot(had.U or 0.0, has.U or 0.0), LIMIT_FACTOR * spread)
    if abs(has.value - had.value) <= limit:
        return Change(evidence, called.rstrip(","), had, has, limit, "not beyond the tool's spread")
    return Change(evidence, called.rstrip(","), had, has, limit, _way(evidence, had.value, has.value))


def _way(evidence: Evidence, had: float, has: float) -> Verdict:
    """Towards what a drill asks, away from it, or only elsewhere."""
    if not isinstance(evidence, Done):
        return "moved"
    was_off, is_off = evidence.off_by(had), evidence.off_by(has)
    if was_off == is_off:
        return "moved"
    return "moved the right way" if is_off < was_off else "moved the wrong way"


def _spread(evidence: Evidence, result: Result) -> float:
    """The tool's own standard deviation of a figure; 0 where none was counted."""
    known = RepeatabilityFigures.read().s
    own = known.get(evidence.measure or "", 0.0)
    if evidence.per is None:
        return own
    if evidence.per == ELECTRODE:
        return own / (result.settings.welding.electrode_mm or float("inf"))
    by = evidence_of(Evidence(measure=evidence.per), result).value
    top = evidence_of(Evidence(measure=evidence.measure), result).value
    if not by or top is None:
        return 0.0
    return hypot(own / by, known.get(evidence.per, 0.0) * top / by**2)


def _differ(before: Result, after: Result) -> tuple[str, ...]:
    """What was not the same both times, so that a difference may come from there."""
    said = []
    one, two, unit = before.settings.welding, after.settings.welding, after.settings.unit
    if one.electrode_mm != two.electrode_mm:
        sizes = " and ".join(
            "a rod not said" if mm is None else rod(mm, unit) for mm in (one.electrode_mm, two.electrode_mm)
        )
        said.append(f"The rods were not of one size ({sizes}).")
    if one.electrode_class != two.electrode_class:
        said.append(
            f"The rods were not of one kind ({one.electrode_class or 'not said'}, {two.electrode_class or 'not said'})."
        )
    if (one.slope_deg, one.rotation_deg) != (two.slope_deg, two.rotation_deg):
        said.append("The position was not the same, or was not said both times.")
    if before.settings.thickness_mm != after.settings.thickness_mm:
        said.append("The plate was not of one thickness, or it was not said both times.")
    return tuple(said)
