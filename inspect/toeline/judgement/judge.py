"""Pass, fail or undecided: a result held line by line against a criteria set, and what would settle the rest.

How an inspector thinks, and so this package:

- A line passes only on evidence: a value inside the limit by the decision rule, or a person's statement. The photo
  decides what it measures, where it shows both toes surely over the whole length: widths, toes, legs, ripples.
- A depth or height is decided by a gauge or a relief and by nothing else. Where the two contradict each other, that
  is said, nothing passes, and what the photos alone would fail is gauged again.
- Cracks, pores, spatter, lack of fusion, overlap and the like never pass on a photo: it finds some, it cannot show
  that there are none. A person looks and states it (``cracks=0``, or ``visible_faults=0`` for all of them).
- What the photo seems to show sends a person to look, and fails nothing; what a person states or reads does.
- A reading with a place speaks for that place: it can fail a line and pass none. One without speaks for the worst
  anywhere.
- What was gauged or stated and no line goes by is named.
- A line that holds only under a condition nobody stated must pass too; its failing only asks for the condition.
- Root-side rows are no part of a judgement of the face; they are named as cautions.
- What a standard leaves to the application passes where there is nothing of it, and waits for a person otherwise.
- Without a usable photo with a scale the whole never passes, whatever was gauged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import replace

from toeline.criteria.expression import condition, expression
from toeline.criteria.listing import limit_text
from toeline.criteria.load import differences, is_shipped, load_criteria
from toeline.criteria.model import VARIABLES, Criteria, Line
from toeline.criteria.model import limit as read_limit
from toeline.errors import SettingsError
from toeline.evidence.evidence import Evidence
from toeline.evidence.gauge import gauges
from toeline.evidence.needs import Need, Step, asks, told
from toeline.judgement.case import Case, Verdict, as_quantity
from toeline.judgement.decision import RULE_NAMES
from toeline.judgement.located import judge_located
from toeline.judgement.pores import judge_sized, judge_window
from toeline.judgement.presence import judge_application, judge_presence
from toeline.judgement.scalar import judge_scalar
from toeline.judgement.several_photos import with_several_photos
from toeline.names import PLATES_ASSUMED
from toeline.result import JudgedLine, Judgement, Outcome, Result, Settings
from toeline.text import clause
from toeline.units import in_unit, length, say

#: The readings that give a limit's own quantities.
_READ_FOR = {"aA": "throat", "l": "weld_length"}
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
    evidence = Evidence(result, girth=criteria.girth)
    lines: list[JudgedLine] = []
    needs: list[Need] = list(evidence.retake)
    hidden: list[str] = []
    used: set[str] = set()
    advice: list[str] = []
    for line in criteria.lines:
        if settings.joint not in line.joints or line.limit == "allowed":
            continue
        hides = line.evidence == "root" and not evidence.readings(line.kind.gauge)
        if hides or (line.limit == "application" and line.eye is None):
            hidden.append(line.imperfection)
            continue
        case = Case(line.column(settings.unit), evidence, settings.rule)
        verdict = _judge(case, criteria)
        if line.advice and verdict is not None:
            advice.append(_advised(case, verdict))
            used |= _goes_by(case.line)
        elif verdict is not None:
            lines.append(_judged(case, verdict))
            used |= _goes_by(case.line)
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
        asks=asks(needs),
        cautions=tuple(in_unit(one, settings.unit) for one in (*_cautions(criteria, evidence, lines, hidden), *advice)),
        beside=_beside(criteria, evidence, lines),
        unused=_unused(evidence, used, criteria),
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
    verdict = with_several_photos(case, _FORMS[_form(case.line)](case))
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
    if (name := _asked(case.line)) is not None:
        said = case.evidence.result.settings.conditions.get(name)
        answers.append(None if said is None else said == (name == case.line.only_if))
        if said is None:
            text = f"Say whether this holds ({name}): {criteria.conditions[name]}."
            needs = (*needs, Need(Step.SETTING, text, condition=name))
    if False in answers:
        return False, ()
    return (None, needs) if None in answers else (True, ())


def _outside(criteria: Criteria, evidence: Evidence) -> tuple[Need, ...]:
    """What stands against using the set at all for this weld."""
    if criteria.scope is None:
        return ()
    holds, needs = evidence.holds(condition(criteria.scope, VARIABLES.keys()), inches=False)
    if holds is False:
        return (
            Need(
                Step.SETTING,
                f"These criteria hold for {criteria.scope} mm only; choose a set for this weld.",
                setting="criteria",
            ),
        )
    return () if holds else needs


def _judged(case: Case, verdict: Verdict) -> JudgedLine:
    """The verdict as a line of the result."""
    line, unit = case.line, case.evidence.unit
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
        imperfection=in_unit(line.imperfection, unit),
        iso6520=line.iso6520,
        limit=in_unit(limit_text(line, unit, values), unit),
        limit_value=verdict.bound,
        unit=line.kind.unit,
        measured=verdict.measured,
        outcome=verdict.outcome,
        evidence=verdict.evidence or "none",
        why=in_unit(why, unit),
        source=line.cited,
        at=at,
        p_conform=p,
        p_wrong_acceptance=1 - p if p is not None and verdict.outcome == "pass" else None,
        confidence=line.confidence,
        gauge=named[0].name if named else None,
    )


def _advised(case: Case, verdict: Verdict) -> str:
    """What the standard advises and how this weld keeps it; it decides nothing."""
    values = {name: known.value for name, known in case.evidence.values.items() if known.value is not None}
    kept = {"pass": "kept", "fail": "not kept", "undecided": "open"}[verdict.outcome]
    limit = limit_text(case.line, case.evidence.unit, values)
    return f"Advice, no limit ({case.line.cited}): {clause(case.line.imperfection)}, {limit}; {kept}: {verdict.why}."


def _goes_by(line: Line) -> set[str]:
    """The readings and statements that a line goes by, its limit's own among them."""
    texts = [line.limit, *([line.per_length.limit] if line.per_length and line.per_length.limit else [])]
    names = frozenset[str]().union(*(read_limit(text, line.kind.symbol).expression.names for text in texts))
    if line.per_length:
        lengths = (line.per_length.length, line.per_length.window)
        names = names.union(*(expression(text, VARIABLES.keys()).names for text in lengths))
    more = {reading for name, reading in _READ_FOR.items() if name in names}
    return {*line.kind.readings, *([line.eye] if line.eye else []), *more}


def _unused(evidence: Evidence, used: Set[str], criteria: Criteria) -> tuple[str, ...]:
    """What a person gauged or stated that no line of the set goes by, each with its value."""
    known, settings = gauges(), evidence.result.settings
    asked = {_asked(line) for line in criteria.lines if settings.joint in line.joints}
    return tuple(
        dict.fromkeys(
            [
                f"{reading.name} {say(as_quantity(reading), evidence.unit)}"
                for reading in settings.gauge
                if not used & {reading.name, *known[reading.name].covers}
            ]
            + [f"{name} {'yes' if said else 'no'}" for name, said in settings.conditions.items() if name not in asked]
        )
    )


def _asked(line: Line) -> str | None:
    """The condition under which alone a line holds, which a person states."""
    return line.only_if.removeprefix("not ") if line.only_if is not None else None


def _beside(criteria: Criteria, evidence: Evidence, lines: Sequence[JudgedLine]) -> tuple[str, ...]:
    """What has to be read with the outcome wherever it stands."""
    settings = evidence.result.settings
    notes = []
    if settings.joint == "butt":
        notes.append("root not judged")
    memory = sum(line.confidence == "C" for line in lines)
    if memory:
        notes.append("1 limit from memory" if memory == 1 else f"{memory} limits from memory")
    if criteria.girth:
        notes.append("from one photo of a part of the seam, as if it were flat")
    stated = [reading for reading in settings.gauge if gauges()[reading.name].statement]
    if any(reading.by is None for reading in stated):
        notes.append("who looked is not named")
    return (*notes, *_without_row(criteria, evidence))


def _without_row(criteria: Criteria, evidence: Evidence) -> list[str]:
    """What the set has no row for at this thickness, where a reader would look for one."""
    thickness = evidence.values["t"].value
    texts = []
    for text, when in criteria.no_row.items():
        if thickness is not None and condition(when, {"t"}).holds({"t": thickness}):
            texts.append(text)
    return texts


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
    memory = dict.fromkeys(clause(line.imperfection) for line in lines if line.confidence == "C")
    if memory:
        notes.append(f"Limits from memory, to be checked against the governing edition: {'; '.join(memory)}.")
    notes.append(
        f"Cracks: only those in the crater are looked for in the photo, and {evidence.smallest_crack}; "
        "a line on cracks is decided by a person's statement alone."
    )
    covering = [reading for reading in settings.gauge if gauges()[reading.name].covers]
    for reading in covering:
        covered = ", ".join(name.replace("_", " ") for name in gauges()[reading.name].covers)
        notes.append(
            f"{reading.name.replace('_', ' ').capitalize()}: none was taken for {covered}, and for nothing else."
        )
    if settings.joint == "butt" and settings.weld_thickness_mm is None:
        notes.append("Full penetration was taken: the weld is as thick as the plate.")
    if settings.second_thickness_mm is not None:
        notes.append("Limits that go by the thickness were taken from the thinner plate.")
    placed = [reading for reading in settings.gauge if reading.at is not None]
    if placed and evidence.result.bead.travel == "assumed":
        notes.append("Places of readings count from the end marked as the start; the direction of travel was assumed.")
    weld = evidence.values["l"].value
    notes += [
        f"The reading of {reading.name.replace('_', ' ')} at {length(reading.at, settings.unit)} lies beyond the weld, "
        f"which is {length(weld, settings.unit)} long."
        for reading in placed
        if weld is not None and reading.at is not None and reading.at > weld
    ]
    return (*notes, *criteria.cautions)
