"""Pass, fail or undecided: a result held line by line against a criteria set, and what would settle the rest.

How an inspector thinks, and so this package:

- A line passes only on evidence: a value inside the limit by the decision rule, a person's statement, or a photo that
  shows both toes surely over the whole length and whose trusted size (``data/detection.toml``) is not above the limit.
- Cracks, lack of fusion, overlap and the like never pass on a photo: it finds some, it cannot show that there are
  none. A person looks and states it (``cracks=0``, or ``visible_faults=0`` for all of them).
- What the photo surely shows where none may be fails the line. What it shows less surely sends a person to look.
- A gauge reading settles a depth. One with a place speaks for that place, one without for the worst anywhere.
- A line that holds only under a condition nobody stated must pass too; its failing only asks for the condition.
- Root-side rows are no part of a judgement of the face; they are named as cautions.
- What a standard leaves to the application passes where there is nothing of it, and waits for a person otherwise.
- Without a usable photo with a scale the whole never passes, whatever was gauged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from toeline.criteria.expression import condition
from toeline.criteria.listing import limit_text
from toeline.criteria.load import differences, is_shipped, load_criteria
from toeline.criteria.model import VARIABLES, Criteria, Line
from toeline.errors import SettingsError
from toeline.evidence.evidence import Evidence
from toeline.evidence.needs import Need, Step, told
from toeline.judgement.case import Case, Verdict
from toeline.judgement.decision import RULE_NAMES
from toeline.judgement.located import judge_located
from toeline.judgement.pores import judge_sized, judge_window
from toeline.judgement.presence import judge_application, judge_presence
from toeline.judgement.scalar import judge_scalar
from toeline.names import PLATES_ASSUMED
from toeline.result import JudgedLine, Judgement, Outcome, Result, Settings
from toeline.units import length

_CLOSE = (0.01, 0.99)  # between these conformance probabilities a call is told as close
_FORMS: dict[str, Callable[[Case], Verdict]] = {
    "presence": judge_presence,
    "application": judge_application,
    "located": judge_located,
    "sized": judge_sized,
    "window": judge_window,
    "scalar": judge_scalar,
}


def judge(result: Result, criteria: Criteria) -> Judgement:
    """Judge a ``result`` (its own judgement is not looked at) by ``criteria``.

    Thickness, joint, drawing size, conditions, gauge readings, unit and rule come from ``result.settings``. Raises
    SettingsError for a setting or a gauge reading that makes no sense.
    """
    settings = result.settings
    _check(settings)
    evidence = Evidence(result)
    lines: list[JudgedLine] = []
    needs: list[Need] = list(evidence.retake)
    hidden: list[str] = []
    for line in criteria.lines:
        if settings.joint not in line.joints or line.limit == "allowed":
            continue
        if line.evidence == "root" or (line.limit == "application" and line.eye is None):
            hidden.append(line.imperfection)
            continue
        case = Case(line.column(settings.unit), evidence, settings.rule)
        verdict = _judge(case, criteria)
        if verdict is not None:
            lines.append(_judged(case, verdict))
            needs.extend(verdict.needs)
    outside = _outside(criteria, evidence)
    needs.extend(outside)
    outcomes = {line.outcome for line in lines}
    outcome: Outcome = "undecided"
    if "fail" in outcomes:
        outcome = "fail"
    elif outcomes == {"pass"} and not evidence.retake and not outside:
        outcome = "pass"
    base = load_criteria(criteria.base) if criteria.base and not is_shipped(criteria) else None
    return Judgement(
        criteria=criteria.id,
        title=criteria.title,
        edition=criteria.edition,
        digest=criteria.digest,
        differs_from=base.id if base else None,
        differences=differences(criteria, base) if base else (),
        rule=settings.rule,
        outcome=outcome,
        lines=tuple(lines),
        needs=told(needs, settings.unit),
        cautions=_cautions(criteria, evidence, lines, hidden),
    )


def _check(settings: Settings) -> None:
    for value, what in (
        (settings.thickness_mm, "plate thickness"),
        (settings.drawing_size_mm, "fillet's size on the drawing"),
    ):
        if value is not None and value <= 0:
            raise SettingsError(f"The {what} must be more than 0 mm, not {value:g}.")
    angle = settings.joint_angle_deg
    if angle is not None and not 0 < angle < 180:
        raise SettingsError(f"The joint angle must lie between 0 and 180 degrees, not at {angle:g}.")


def _judge(case: Case, criteria: Criteria) -> Verdict | None:
    """The verdict on a line, or None where the line does not apply."""
    applies, needs = _applies(case, criteria)
    if applies is False:
        return None
    verdict = _FORMS[_form(case.line)](case)
    if applies is True or verdict.outcome == "pass":
        return verdict
    why = f"{verdict.why}; whether this line holds for the weld is not known"
    return replace(verdict, outcome="undecided", why=why, needs=(*needs, *verdict.needs))


def _form(line: Line) -> str:
    if line.limit == "application":
        return "application"
    if line.limit == "none" and line.per_length is None and line.kind.form in ("located", "sized"):
        return "presence"
    return line.kind.form


def _applies(case: Case, criteria: Criteria) -> tuple[bool | None, tuple[Need, ...]]:
    """Whether the line holds for this weld; None where that is not known, with what would tell."""
    answers: list[bool | None] = []
    needs: tuple[Need, ...] = ()
    when = case.line.condition()
    if when is not None:
        holds, needs = case.evidence.holds(when, inches=case.line.in_inches(case.evidence.unit))
        answers.append(holds)
    if case.line.only_if is not None:
        name = case.line.only_if.removeprefix("not ")
        said = case.evidence.result.settings.conditions.get(name)
        answers.append(None if said is None else said == (name == case.line.only_if))
        if said is None:
            needs = (*needs, Need(Step.SETTING, f"Say whether this holds ({name}): {criteria.conditions[name]}."))
    if False in answers:
        return False, ()
    return (None, needs) if None in answers else (True, ())


def _outside(criteria: Criteria, evidence: Evidence) -> tuple[Need, ...]:
    """What stands against using the set at all for this weld."""
    if criteria.scope is None:
        return ()
    holds, needs = evidence.holds(condition(criteria.scope, VARIABLES.keys()), inches=False)
    if holds is False:
        return (Need(Step.SETTING, f"These criteria hold for {criteria.scope} mm only; choose a set for this weld."),)
    return () if holds else needs


def _judged(case: Case, verdict: Verdict) -> JudgedLine:
    """The verdict as a line of the result."""
    line = case.line
    values = {name: known.value for name, known in case.evidence.values.items() if known.value is not None}
    p, why = verdict.p_conform, verdict.why
    if p is not None and _CLOSE[0] < p < _CLOSE[1]:
        why += f"; the probability that it conforms is {p:.0%}"
        if verdict.outcome == "pass":
            why += f", that this acceptance is wrong {1 - p:.0%}"
    named = [need for need in verdict.needs if need.name] if verdict.outcome == "undecided" else []
    at = verdict.at
    if at is None:
        at = next((need.places[0] for need in named if need.places), None)
    return JudgedLine(
        id=line.id,
        of=line.of,
        imperfection=line.imperfection,
        iso6520=line.iso6520,
        limit=limit_text(line, case.evidence.unit, values),
        limit_value=verdict.bound,
        unit=line.kind.unit,
        measured=verdict.measured,
        outcome=verdict.outcome,
        evidence=verdict.evidence or "none",
        why=why,
        source=line.cited,
        at=at,
        p_conform=p,
        p_wrong_acceptance=1 - p if p is not None and verdict.outcome == "pass" else None,
        confidence=line.confidence,
        gauge=named[0].name if named else None,
    )


def _cautions(
    criteria: Criteria, evidence: Evidence, lines: Sequence[JudgedLine], hidden: Sequence[str]
) -> tuple[str, ...]:
    settings = evidence.result.settings
    notes = [
        f"Decision rule: {RULE_NAMES[settings.rule]}.",
        "This judges the weld's face by what was seen, gauged and stated; the governing code and a qualified "
        "inspector decide.",
    ]
    if hidden:
        notes.append(f"Not judged, as the face does not show it or the contract decides it: {'; '.join(hidden)}.")
    if settings.joint == "bead":
        notes.append("A bead on a plate is no joint that a code covers; only rows for a weld's surface are judged.")
    if settings.joint == "fillet" and evidence.result.scale.cards:
        notes.append(PLATES_ASSUMED)
    memory = [line.id for line in lines if line.confidence == "C"]
    if memory:
        notes.append(f"Limits from memory, to be checked against the governing edition: {', '.join(memory)}.")
    notes.append(f"Cracks: {evidence.smallest_crack}.")
    placed = [reading for reading in settings.gauge if reading.at is not None]
    if placed and evidence.result.bead.travel == "assumed":
        notes.append("Places of readings count from the end marked as the start; the direction of travel was assumed.")
    weld = evidence.values["l"].value
    notes += [
        f"The reading {reading.name} at {length(reading.at, settings.unit)} lies beyond the weld, "
        f"which is {length(weld, settings.unit)} long."
        for reading in placed
        if weld is not None and reading.at is not None and reading.at > weld
    ]
    return (*notes, *criteria.cautions)
