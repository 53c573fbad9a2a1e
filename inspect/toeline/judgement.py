"""Pass, fail or undecided: a result held line by line against a criteria set, and what would settle the rest.

How an inspector thinks, and so this module:

- A line passes only on evidence: a value inside the limit by the decision rule, a person's statement, or a photo that
  shows both toes surely over the whole length and whose trusted size (``data/detection.toml``) is not above the limit.
- Cracks, lack of fusion, overlap and the like never pass on a photo: it finds some, it cannot show that there are
  none. A person looks and states it (``cracks=0``).
- What the photo surely shows where none may be fails the line. What it shows less surely sends a person to look.
- A gauge reading settles a depth. One with a place speaks for that place, one without for the worst anywhere.
- Root-side rows are no part of a judgement of the face; they are named as cautions.
- What a standard leaves to the application passes where there is nothing of it, and waits for a person otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from toeline.criteria.listing import limit_text
from toeline.criteria.load import differences, load_criteria
from toeline.criteria.model import Criteria, Line
from toeline.criteria.model import limit as read_limit
from toeline.decision import RULE_NAMES, Decision, Rule, decide
from toeline.evidence import EYE, GAUGE, PHOTO, SETTING, Evidence, Need, middle, span
from toeline.gauge import gauges
from toeline.lengths import shown
from toeline.result import (
    GaugeReading,
    Indication,
    JudgedLine,
    Judgement,
    Outcome,
    Quantity,
    Result,
    unknown,
)
from toeline.windows import worst_length, worst_sum

_WORST_FIRST: tuple[Outcome, ...] = ("fail", "undecided", "pass")
_CLOSE = (0.01, 0.99)  # between these conformance probabilities a call is told as close


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What came of one line."""

    outcome: Outcome
    why: str
    evidence: str = ""
    measured: Quantity | None = None
    at: float | None = None
    p_conform: float | None = None
    needs: tuple[Need, ...] = ()
    bound: float | None = None


@dataclass(frozen=True, slots=True)
class _Case:
    """One line, in its unit's column, and all there is to judge it by."""

    line: Line
    evidence: Evidence
    rule: Rule

    def decide(self, measured: Quantity, bound: Quantity, sense: str = "most") -> Decision:
        """The decision rule; the limit's own uncertainty counts too."""
        assert measured.value is not None
        assert bound.value is not None
        spread = math.hypot(measured.U or 0, bound.U or 0)
        return decide(measured.value, spread, bound.value, sense, self.rule)  # type: ignore[arg-type]

    def bound(self, text: str) -> tuple[Quantity, tuple[Need, ...]]:
        """What a limit such as ``h <= 0.2*t`` comes to."""
        return self.evidence.bound(self.line, read_limit(text, self.line.kind.symbol).expression)

    def length(self, text: str) -> tuple[Quantity, tuple[Need, ...]]:
        """What an expression for a length comes to, mm."""
        as_length = self.line.model_copy(update={"of": "undercut_depth"})
        return self.evidence.bound(as_length, read_limit(f"h <= {text}", "h").expression)

    def mm(self, value: float, U: float | None = None) -> str:
        """A length in the user's unit."""
        return shown(value, self.evidence.unit, U)

    def look(self, *places: float | None) -> Need:
        """Asks a person to look and state what is there."""
        name = self.line.kind.statement
        return Need(EYE, "", name, _places(places))

    def gauge(self, *places: float | None, name: str | None = None) -> Need:
        """Asks for a gauge reading, at places along the seam or at the worst anywhere."""
        return Need(GAUGE, "", name or self.line.kind.gauge, _places(places))


def judge(result: Result, criteria: Criteria) -> Judgement:
    """Judge a ``result`` (its own judgement is not looked at) by ``criteria``.

    Thickness, joint, drawing size, conditions, gauge readings, unit and rule come from ``result.settings``. Raises
    SettingsError for a gauge reading that makes no sense.
    """
    evidence = Evidence(result)
    settings = result.settings
    lines: list[JudgedLine] = []
    needs: list[Need] = []
    hidden: list[str] = []
    for line in criteria.lines:
        if settings.joint not in line.joints or line.limit == "allowed":
            continue
        if line.evidence == "root":
            hidden.append(line.imperfection)
            continue
        if line.limit == "application" and line.eye is None:
            hidden.append(f"{line.imperfection} ({line.note})" if line.note else line.imperfection)
            continue
        case = _Case(line.column(settings.unit), evidence, settings.rule)
        verdict = _judge(case, criteria)
        if verdict is not None:
            lines.append(_judged(case, verdict))
            needs.extend(verdict.needs)
    outcome = _whole(lines, evidence)
    if evidence.stopped:
        needs.append(Need(PHOTO, evidence.stopped))
    base = load_criteria(criteria.base) if criteria.base else None
    return Judgement(
        criteria=criteria.id,
        title=criteria.title,
        edition=criteria.edition,
        digest=criteria.digest,
        differs_from=criteria.base,
        differences=differences(criteria, base) if base else (),
        rule=settings.rule,
        outcome=outcome,
        lines=tuple(lines),
        needs=() if outcome == "fail" and not needs else _told(needs, evidence),
        cautions=_cautions(criteria, evidence, hidden, settings.rule),
    )


def _whole(lines: Sequence[JudgedLine], evidence: Evidence) -> Outcome:
    """Fail if any line fails; pass only if there are lines, all pass, and the photo could be used."""
    outcomes = {line.outcome for line in lines}
    if "fail" in outcomes:
        return "fail"
    return "pass" if outcomes == {"pass"} and not evidence.stopped else "undecided"


def _cautions(criteria: Criteria, evidence: Evidence, hidden: Sequence[str], rule: Rule) -> tuple[str, ...]:
    notes = [
        f"Decision rule: {RULE_NAMES[rule]}.",
        "This judges the weld's face by what was seen, gauged and stated; the governing code and a qualified "
        "inspector decide.",
    ]
    if hidden:
        notes.append(f"Not judged, not visible from the face or for the contract to say: {'; '.join(hidden)}.")
    if evidence.result.settings.joint == "bead":
        notes.append("A bead on a plate is no joint that a code covers; only the rows for a weld's surface are judged.")
    memory = sum(line.confidence == "C" for line in criteria.lines if evidence.result.settings.joint in line.joints)
    if memory:
        notes.append(f"{memory} of the limits are from memory; check them against the governing edition.")
    notes.append(f"Cracks: {evidence.smallest_crack}.")
    return (*notes, *criteria.cautions)


# One line


def _judge(case: _Case, criteria: Criteria) -> _Verdict | None:
    """The verdict on a line, or None where the line does not apply."""
    applies, needs = _applies(case, criteria)
    if applies is False:
        return None
    verdict = _FORMS[_form(case.line)](case)
    if applies is True:
        return verdict
    if verdict.outcome == "fail":
        verdict = replace(verdict, outcome="undecided", why=f"{verdict.why}; but whether this line holds is not known")
    return replace(verdict, needs=(*needs, *verdict.needs)) if verdict.outcome == "undecided" else verdict


def _applies(case: _Case, criteria: Criteria) -> tuple[bool | None, tuple[Need, ...]]:
    """Whether the line holds for this weld; None where that is not known, with what would tell."""
    answers: list[bool | None] = []
    needs: tuple[Need, ...] = ()
    when = case.line.condition()
    if when is not None:
        holds, needs = case.evidence.holds(case.line, when)
        answers.append(holds)
    if case.line.only_if is not None:
        name = case.line.only_if.removeprefix("not ")
        said = case.evidence.result.settings.conditions.get(name)
        answers.append(None if said is None else said == (name == case.line.only_if))
        if said is None:
            needs = (*needs, Need(SETTING, f"Say whether this holds ({name}): {criteria.conditions[name]}."))
    if False in answers:
        return False, ()
    return (None, needs) if None in answers else (True, ())


def _form(line: Line) -> str:
    form = line.kind.form
    if line.limit == "application":
        return "application"
    if line.limit == "none" and line.per_length is None and form in ("located", "sized"):
        return "presence"
    return form


def _judged(case: _Case, verdict: _Verdict) -> JudgedLine:
    line = case.line
    values = {name: q.value for name, q in case.evidence.values.items() if q.value is not None}
    why = verdict.why
    p = verdict.p_conform
    if p is not None and _CLOSE[0] < p < _CLOSE[1]:
        why = f"{why}; the probability that it conforms is {p:.0%}"
    asked = next((need.gauge for need in verdict.needs if need.gauge), None)
    at = verdict.at
    if at is None:
        at = next((need.places[0] for need in verdict.needs if need.places), None)
    return JudgedLine(
        id=line.id,
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
        p_wrong_acceptance=None if p is None or verdict.outcome != "pass" else 1 - p,
        confidence=line.confidence,
        gauge=asked if verdict.outcome == "undecided" else None,
    )


# Forms of lines


def _presence(case: _Case) -> _Verdict:
    """None may be there."""
    kind, evidence = case.line.kind, case.evidence
    stated = (*evidence.readings(kind.statement), *evidence.readings(kind.gauge))
    positive = [reading for reading in stated if reading.value - _guard(case, reading) > 0]
    if positive:
        worst = max(positive, key=lambda reading: reading.value)
        return _Verdict("fail", f"{_said(case, worst)}; none may be there", "gauge or eye", _quantity(worst), worst.at)
    nothing = [reading for reading in stated if reading.value == 0]
    unclear = [reading for reading in stated if reading.value > 0]
    found = [item for item in evidence.seen(kind.seen) if not any(evidence.near(r, item) for r in nothing)]
    sure = [item for item in found if evidence.sure(item)]
    places = [middle(item) for item in found]
    if sure and not any(reading.at is None for reading in nothing):
        return _Verdict(
            "fail", f"the photo shows {_where(case, kind.words, sure)}; none may be there", "photo", at=middle(sure[0])
        )
    if found:
        seen = f"the photo shows what looks like {_where(case, kind.words, found)}"
        against = ", but none was stated" if any(reading.at is None for reading in nothing) else ""
        need = case.look(*places)
        return _Verdict("undecided", f"{seen}{against}; look there again", "photo", at=places[0], needs=(need,))
    if unclear:
        return _Verdict(
            "undecided",
            f"{_said(case, unclear[0])}, not surely more than none",
            "gauge",
            _quantity(unclear[0]),
            unclear[0].at,
            needs=(case.look(unclear[0].at),),
        )
    if any(reading.at is None for reading in nothing):
        return _Verdict("pass", "a person looked and stated none", "eye")
    why, shown_absent = evidence.absent(_detection_kind(case.line), 0.0)
    return _Verdict("pass" if shown_absent else "undecided", why, "photo", needs=() if shown_absent else (case.look(),))


def _application(case: _Case) -> _Verdict:
    """The standard leaves it to the application: a person says yes or no to what is there."""
    kind, evidence = case.line.kind, case.evidence
    answers = evidence.readings(case.line.eye)
    if any(reading.value == 0 for reading in answers):
        return _Verdict("fail", "a person stated that it may not stay in this application", "eye")
    if answers:
        return _Verdict("pass", "a person stated that it may stay in this application", "eye")
    found = evidence.seen(kind.seen)
    ask = Need(EYE, "", case.line.eye, _places(middle(item) for item in found))
    if found:
        why = f"the photo shows {_where(case, kind.words, found)}; the standard leaves it to the application"
        return _Verdict("undecided", why, "photo", needs=(ask,))
    if kind.statement and any(
        reading.value == 0 and reading.at is None for reading in evidence.readings(kind.statement)
    ):
        return _Verdict("pass", "a person looked and stated none", "eye")
    name = _detection_kind(case.line)
    trusted = evidence.detection.get(name)
    why, shown_absent = evidence.absent(name, math.inf if trusted else 0.0)
    need = case.look() if kind.statement else ask
    return _Verdict("pass" if shown_absent else "undecided", why, "photo", needs=() if shown_absent else (need,))


def _located(case: _Case) -> _Verdict:
    """The photo finds where, a gauge says how deep; perhaps deeper over a short length."""
    line, evidence, kind = case.line, case.evidence, case.line.kind
    per = line.per_length
    free, needs = (Quantity(value=0, U=0), ()) if line.limit == "none" else case.bound(line.limit)
    top, more = (free, ()) if per is None else case.bound(per.limit or line.limit)
    if free.value is None or top.value is None:
        return _unknown_bound(free if free.value is None else top, (*needs, *more))
    readings = evidence.readings(kind.gauge)
    states = evidence.readings(kind.statement)
    anywhere = [r for r in readings if r.at is None]
    nothing = [r for r in (*states, *readings) if r.value == 0]
    runs = [run for run in evidence.seen(kind.seen) if not any(evidence.near(r, run) for r in nothing)]
    judged = [(reading, _against(case, reading, free), _against(case, reading, top)) for reading in readings]

    worst = max(judged, key=lambda item: item[0].value + (item[0].U or 0), default=None)
    told = _Verdict(
        "undecided",
        "",
        "photo and gauge" if readings and runs else "gauge" if readings else "photo",
        None if worst is None else _quantity(worst[0]),
        None if worst is None else worst[0].at,
        None if worst is None else worst[2].p_conform,
        bound=top.value,
    )
    for reading, _, over in judged:
        if over.outcome == "fail":
            why = f"{_said(case, reading)}, beyond {case.mm(top.value)}"
            return replace(
                told, outcome="fail", why=why, measured=_quantity(reading), at=reading.at, p_conform=over.p_conform
            )
    if per is not None and line.limit == "none":
        too_long = _too_long(case, [run for run in runs if evidence.sure(run)], exact=True)
        if too_long is not None and too_long.outcome == "fail":
            return replace(told, outcome="fail", why=f"{too_long.why}, whatever its depth", measured=too_long.measured)
    bare = [run for run in runs if not any(evidence.near(r, run) for r in readings)]
    if bare and not anywhere:
        bare.sort(key=_extent, reverse=True)
        why = f"the photo shows {_where(case, kind.words, bare)}; how deep it is takes a gauge"
        places = [middle(run) for run in bare]
        return replace(told, why=why, at=places[0], p_conform=None, needs=(case.gauge(*places),))
    if not anywhere:
        stated = any(r.value == 0 and r.at is None for r in states)
        why, shown_absent = evidence.absent(_detection_kind(line), free.value - (free.U or 0))
        if stated and not runs:
            why, shown_absent = "a person looked and stated none", True
            told = replace(told, evidence="eye" if not readings else "gauge and eye")
        if not shown_absent and not (stated and runs):
            need = case.gauge() if kind.statement == "undercut" else case.look()
            return replace(told, why=why if not readings else f"elsewhere {why}", needs=(need,))
        if not readings:
            if stated and runs:  # nothing is left bare, so this cannot be; kept as the careful answer
                return replace(told, why=why, needs=(case.gauge(),))
            return replace(told, outcome="pass", why=why)
    if all(under.outcome == "pass" for _, under, _ in judged):
        assert worst is not None
        return replace(
            told, outcome="pass", why=f"{_said(case, worst[0])}", p_conform=worst[1].p_conform, bound=free.value
        )
    if per is None or any(over.outcome == "undecided" for _, _, over in judged):
        assert worst is not None
        why = f"{_said(case, worst[0])}, too near the limit of {case.mm(top.value)} to say"
        return replace(told, why=why, needs=(case.gauge(worst[0].at),))
    deep = [run for run in runs if _is_deep(case, run, judged)]
    certain = all(under.outcome == "fail" for _, under, _ in judged if under.outcome != "pass")
    stretch = _too_long(case, deep, exact=line.limit == "none" and bool(deep), loose=not deep)
    assert stretch is not None
    outcome: Outcome = stretch.outcome if stretch.outcome != "fail" or certain else "undecided"
    return replace(told, outcome=outcome, why=stretch.why, needs=stretch.needs)


def _is_deep(case: _Case, run: Indication, judged: Sequence[tuple[GaugeReading, Decision, Decision]]) -> bool:
    """Whether a run may be deeper than what any length may have: by its own readings, else by those for anywhere."""
    own = [item for item in judged if case.evidence.near(item[0], run)] or [i for i in judged if i[0].at is None]
    return any(under.outcome != "pass" for _, under, _ in own)


def _too_long(case: _Case, runs: Sequence[Indication], *, exact: bool, loose: bool = False) -> _Verdict | None:
    """Runs against the length rule of the line: the worst stretch anywhere.

    ``exact`` says that all of every run counts; else a run's length is only the most that can. A gauged length
    (the kind's ``extent``) goes before the photo's. ``loose``: there is a depth, but its length is not known.
    """
    per, extent = case.line.per_length, case.line.kind.extent
    assert per is not None
    window, needs = case.length(per.window)
    allowed, more = case.length(per.length)
    weld = case.evidence.values["l"]
    if window.value is None or allowed.value is None:
        return _unknown_bound(window if window.value is None else allowed, (*needs, *more))
    if per.share is not None:
        if weld.value is None:
            return _Verdict("undecided", f"how much is allowed depends on the weld's length: {weld.why}")
        if weld.value < window.value:
            allowed = Quantity(value=per.share * weld.value, U=per.share * (weld.U or 0))
    gauged = case.evidence.readings(extent)
    if gauged:
        worst = max(gauged, key=lambda reading: reading.value)
        measured = _quantity(worst)
    elif loose or any(_extent(run) <= 0 and None in span(run) for run in runs):
        return _Verdict("undecided", "how long it is takes a gauge", needs=(case.gauge(name=extent),))
    else:
        spans = [(s, e) for s, e in map(span, runs) if s is not None and e is not None]
        length, _ = worst_length(spans, window.value)
        U = case.evidence.detection["run_u_mm"] * math.sqrt(len(spans)) if spans else 0.0
        measured = Quantity(value=length, U=U)
    decision = case.decide(measured, allowed)
    assert measured.value is not None
    assert allowed.value is not None
    span_text = "the weld" if per.window == "l" else case.mm(window.value)
    why = f"{case.mm(measured.value, measured.U)} of it in the worst {span_text}, {case.mm(allowed.value)} allowed"
    outcome = decision.outcome
    if not gauged and not exact and outcome == "fail":
        outcome, why = "undecided", f"at most {why}; how much of that is deeper takes a gauge"
    return _Verdict(
        outcome,
        why,
        measured=measured,
        p_conform=decision.p_conform,
        needs=() if outcome != "undecided" else (case.gauge(name=extent),),
    )


def _sized(case: _Case) -> _Verdict:
    """The photo finds and sizes each; none may be too large."""
    line, evidence, kind = case.line, case.evidence, case.line.kind
    bound, needs = case.bound(line.limit)
    if bound.value is None:
        return _unknown_bound(bound, needs)
    found = evidence.seen(kind.seen)
    sized = [(item, item.size) for item in found if item.size is not None and item.size.value is not None]
    decided = [(item, size, case.decide(size, bound)) for item, size in sized]
    failing = [(item, size, d) for item, size, d in decided if d.outcome == "fail" and evidence.sure(item)]
    readings = evidence.readings(kind.gauge)
    gauged = [(reading, case.decide(_quantity(reading), bound)) for reading in readings]
    none_stated = any(r.value == 0 and r.at is None for r in evidence.readings(kind.statement))
    for reading, decision in gauged:
        if decision.outcome == "fail":
            why = f"{_said(case, reading)}, beyond {case.mm(bound.value)}"
            return _Verdict("fail", why, "gauge", _quantity(reading), reading.at, decision.p_conform, bound=bound.value)
    largest = max(decided, key=lambda entry: entry[1].value or 0, default=None)
    told = _Verdict("undecided", "", "photo", bound=bound.value)
    if largest is not None:
        told = replace(told, measured=largest[1], at=middle(largest[0]), p_conform=largest[2].p_conform)
    dismissed = any(reading.at is None for reading, _ in gauged) or none_stated
    if failing and not dismissed:
        return replace(
            told, outcome="fail", why=f"{_where(case, kind.words, [failing[0][0]])}, beyond {case.mm(bound.value)}"
        )
    doubtful = [item for item in found if not any(item is f and d.outcome == "pass" for f, _, d in decided)]
    places = [middle(item) for item in doubtful]
    if failing or (doubtful and not dismissed) or (none_stated and any(evidence.sure(item) for item in found)):
        where = _where(case, kind.words, doubtful or found)
        return replace(told, why=f"{where}; look again or gauge the largest", needs=(case.gauge(*places),))
    if gauged:
        reading, decision = max(gauged, key=lambda entry: entry[0].value)
        told = replace(told, evidence="gauge", measured=_quantity(reading), at=reading.at, p_conform=decision.p_conform)
        if any(decision.outcome == "undecided" for _, decision in gauged):
            why = f"{_said(case, reading)}, too near the limit of {case.mm(bound.value)} to say"
            return replace(told, why=why, needs=(case.gauge(reading.at),))
        if dismissed:
            return replace(told, outcome="pass", why=_said(case, reading))
    if none_stated:
        return replace(told, outcome="pass", why="a person looked and stated none", evidence="eye")
    why, shown_absent = evidence.absent(_detection_kind(line), bound.value - (bound.U or 0))
    if decided:
        why = (
            f"the largest is {case.mm(largest[1].value or 0, largest[1].U)}"
            if shown_absent and largest
            else f"more may be there: {why}"
        )
    return replace(
        told, outcome="pass" if shown_absent else "undecided", why=why, needs=() if shown_absent else (case.gauge(),)
    )


def _window(case: _Case) -> _Verdict:
    """Pores counted or added up in the worst stretch anywhere."""
    line, evidence, kind = case.line, case.evidence, case.line.kind
    bound, needs = case.bound(line.limit)
    window, more = case.length(line.window or "l")
    smallest, _ = case.length(line.counts_from) if line.counts_from else (Quantity(value=0, U=0), ())
    if bound.value is None or window.value is None:
        return _unknown_bound(bound if bound.value is None else window, (*needs, *more))
    found = evidence.seen(kind.seen)
    states = [r for r in evidence.readings(kind.statement) if r.at is None]
    if states and not found:
        total = max(reading.value for reading in states)
        if total == 0:
            return _Verdict("pass", "a person looked and stated none", "eye", bound=bound.value)
        if kind.unit == "1" and total <= bound.value:
            return _Verdict("pass", f"a person counted {total:g} in all", "eye", bound=bound.value)
    if evidence.stopped or evidence.result.scale.state != "card":
        why = evidence.stopped or "there is no scale in the photo"
        return _Verdict("undecided", why, needs=(case.look(),), bound=bound.value)

    def total_of(items: Sequence[Indication], sign: int) -> tuple[float, float | None]:
        points = []
        for item in items:
            size, place = item.size, middle(item)
            if size is None or size.value is None:
                if sign < 0:
                    continue
                diameter = window.value or 0.0  # a size that is not known may be anything
            else:
                diameter = max(0.0, size.value + sign * (size.U or 0))
            if diameter < (smallest.value or 0) or diameter == 0:
                continue
            if place is None and sign < 0:
                continue
            points.append((0.0 if place is None else place, 1.0 if kind.unit == "1" else diameter))
        most, start = worst_sum(points, window.value or 0.0)
        return most, start if points else None

    sure = [item for item in found if evidence.sure(item)]
    value, start = total_of(found, 0)
    high, low = total_of(found, 1)[0], total_of(sure, -1)[0]
    measured = Quantity(value=value, U=max(high - value, value - low), unit=kind.unit, n=len(found))
    if case.rule == "simple":
        outcome: Outcome = (
            "pass" if value <= bound.value else "fail" if total_of(sure, 0)[0] > bound.value else "undecided"
        )
    else:
        top, bottom = bound.value - (bound.U or 0), bound.value + (bound.U or 0)
        outcome = "pass" if high <= top else "fail" if low > bottom else "undecided"
    amount = f"{value:g}" if kind.unit == "1" else case.mm(value)
    told = _Verdict(
        outcome, f"{amount} in the worst {case.mm(window.value)}", "photo", measured, start, bound=bound.value
    )
    if outcome == "undecided":
        return replace(told, needs=(case.look(start),))
    if outcome == "pass":
        why, shown_absent = evidence.absent(_detection_kind(line), smallest.value or 0.0)
        if not shown_absent:
            return replace(told, outcome="undecided", why=f"{told.why} seen; {why}", needs=(case.look(),))
    return told


@dataclass(frozen=True, slots=True)
class _Sample:
    """One value to hold against a limit; ``proves`` names the outcomes it can carry."""

    quantity: Quantity
    how: str
    at: float | None = None
    proves: tuple[Outcome, ...] = ("pass", "fail")


def _scalar(case: _Case) -> _Verdict:
    """One number against a limit; gauge readings go before the photo's."""
    line, kind = case.line, case.line.kind
    limit = line.parsed()
    none = limit.word == "none"
    bound, needs = (Quantity(value=0, U=0, unit=kind.unit), ()) if none else case.bound(line.limit)
    if bound.value is None:
        return _unknown_bound(bound, needs)
    photo, gauged, asked = _samples(case)
    chosen = gauged or photo
    known = [sample for sample in chosen if sample.quantity.value is not None]
    if not known:
        why = next((s.quantity.why for s in (*photo, *gauged) if s.quantity.why), "it takes a gauge")
        return _Verdict("undecided", why or "it takes a gauge", needs=asked, bound=bound.value)
    verdicts = [_one_scalar(case, sample, bound, limit.sense, asked) for sample in known]
    verdict = min(
        verdicts, key=lambda v: (_WORST_FIRST.index(v.outcome), v.p_conform if v.p_conform is not None else 1)
    )
    if len(known) < len(chosen) and verdict.outcome == "pass":
        missing = next(s.quantity.why for s in chosen if s.quantity.value is None)
        return replace(verdict, outcome="undecided", why=missing or "part of it is not known", needs=asked)
    if gauged and verdict.outcome == "pass":
        against = [_one_scalar(case, s, bound, limit.sense, asked) for s in photo if s.quantity.value is not None]
        if any(other.outcome == "fail" for other in against):
            return replace(
                verdict, outcome="undecided", why=f"{verdict.why}, but the photo says otherwise", needs=asked
            )
    return verdict


def _one_scalar(case: _Case, sample: _Sample, bound: Quantity, sense: str, asked: tuple[Need, ...]) -> _Verdict:
    line, kind = case.line, case.line.kind
    value = sample.quantity.value
    assert value is not None
    assert bound.value is not None
    decision = case.decide(sample.quantity, bound, sense)
    if sample.how == "gauge" and kind.gauge and line.limit == "none" and value == 0:
        decision = Decision("pass", 1.0)  # a person read zero: there is none of it
    words = case.mm(value, sample.quantity.U) if kind.unit == "mm" else _plain(value, sample.quantity.U, kind.unit)
    told = _Verdict(
        decision.outcome,
        f"{kind.words} {words}",
        sample.how,
        sample.quantity,
        sample.at,
        decision.p_conform,
        bound=bound.value,
    )
    if line.per_length is not None and told.outcome != "pass":
        told = _tolerated(case, told, sample)
    elif told.outcome == "undecided":
        told = replace(told, why=f"{told.why}, too near the limit to say", needs=asked)
    if told.outcome != "undecided" and told.outcome not in sample.proves:
        words = "this proves nothing either way" if told.outcome == "fail" else "this alone does not prove it"
        told = replace(told, outcome="undecided", why=f"{told.why}; {words}", needs=asked)
    return told


def _tolerated(case: _Case, told: _Verdict, sample: _Sample) -> _Verdict:
    """Beyond what any length may have: inside the greater limit, and short enough?"""
    per = case.line.per_length
    assert per is not None
    top, needs = case.bound(per.limit or case.line.limit)
    if top.value is None:
        return replace(_unknown_bound(top, needs), measured=told.measured)
    over = case.decide(sample.quantity, top)
    told = replace(told, bound=top.value, p_conform=over.p_conform)
    if over.outcome == "fail":
        return replace(told, outcome="fail", why=f"{told.why}, beyond {case.mm(top.value)}")
    stretch = _too_long(case, (), exact=True, loose=True)
    assert stretch is not None
    why = f"{told.why}; {stretch.why}"
    if over.outcome == "pass" and stretch.outcome == "pass":
        return replace(told, outcome="pass", why=why)
    if told.outcome == "fail" and stretch.outcome == "fail":
        return replace(told, outcome="fail", why=why)
    return replace(told, outcome="undecided", why=why, needs=stretch.needs or (case.gauge(),))


def _samples(case: _Case) -> tuple[list[_Sample], list[_Sample], tuple[Need, ...]]:
    """The photo's values, the gauge's values, and what to ask for."""
    evidence, of = case.evidence, case.line.of
    if of in ("edge_deviation", "straightness"):
        sides = [_Sample(evidence.measure(f"{side}_{of}"), "photo") for side in ("left", "right")]
        return sides, [], _retake(evidence)
    if of == "width_range":
        return (
            [_Sample(_difference(evidence.measure("width_max"), evidence.measure("width_min")), "photo")],
            [],
            _retake(evidence),
        )
    if of in ("width_variation", "ripple_variation", "spatter_per_100mm"):
        return [_Sample(evidence.measure(of), "photo")], [], _retake(evidence)
    if of in ("leg_difference", "leg_shortfall"):
        return _legs(case)
    if of in ("throat_shortfall", "throat_excess"):
        return _throat(case)
    gauged = [_Sample(_quantity(r), "gauge", r.at) for r in evidence.readings(case.line.kind.gauge)]
    return [], gauged, (case.gauge(evidence.narrowest),)


def _retake(evidence: Evidence) -> tuple[Need, ...]:
    return (Need(PHOTO, "Photograph the whole cleaned bead with the card beside it, sharp and evenly lit."),)


_LEGS = ("leg_base", "leg_upright")


def _legs(case: _Case) -> tuple[list[_Sample], list[_Sample], tuple[Need, ...]]:
    """Difference of the legs, or what the smallest lacks to the drawing's."""
    evidence = case.evidence
    asked = tuple(case.gauge(name=name) for name in _LEGS)
    smallest = {name: _smallest(evidence.readings(name)) for name in _LEGS}
    if case.line.of == "leg_difference":
        photo = [_Sample(_apart(evidence.measure(_LEGS[0]), evidence.measure(_LEGS[1])), "photo")]
        if None in smallest.values():
            return photo, [], asked
        pair = [_quantity(reading) for reading in smallest.values() if reading is not None]
        return photo, [_Sample(_apart(*pair), "gauge")], asked
    nominal = evidence.values["z"]
    photo = []
    for name in _LEGS:
        least = evidence.measure(f"{name}_min")
        mean = evidence.measure(name)
        if least.value is not None:
            photo.append(_Sample(_difference(nominal, least), "photo"))
        else:  # the mean leg can only show that there is too little
            photo.append(_Sample(_difference(nominal, mean), "photo", proves=("fail",)))
    if nominal.value is None:
        asked = (Need(SETTING, "Give the fillet's size on the drawing."),)
    gauged = [
        _Sample(_difference(nominal, _quantity(reading)), "gauge", reading.at)
        for name in _LEGS
        for reading in evidence.readings(name)
    ]
    if gauged and None in smallest.values():
        missing = next(name for name, reading in smallest.items() if reading is None)
        gauged.append(next(s for s, name in zip(photo, _LEGS, strict=True) if name == missing))
        asked = (case.gauge(name=missing),)
    return photo, gauged, asked


def _throat(case: _Case) -> tuple[list[_Sample], list[_Sample], tuple[Need, ...]]:
    """Throat against the drawing's; from the legs alone it is the most that can be there (a hollow face has less)."""
    evidence, nominal = case.evidence, case.evidence.values["a"]
    small = case.line.of == "throat_shortfall"

    def against(throat: Quantity) -> Quantity:
        return _difference(nominal, throat) if small else _difference(throat, nominal)

    proves: tuple[Outcome, ...] = ("fail",) if small else ("pass",)
    photo = [_Sample(against(evidence.measure("throat")), "photo", proves=proves)]
    gauged = [_Sample(against(_quantity(r)), "gauge", r.at) for r in evidence.readings("throat")]
    if nominal.value is None:
        return photo, gauged, (Need(SETTING, "Give the fillet's size on the drawing."),)
    return photo, gauged, (case.gauge(evidence.narrowest, name="throat"),)


_FORMS: dict[str, Callable[[_Case], _Verdict]] = {
    "presence": _presence,
    "application": _application,
    "located": _located,
    "sized": _sized,
    "window": _window,
    "scalar": _scalar,
}


# Small things


def _against(case: _Case, reading: GaugeReading, bound: Quantity) -> Decision:
    """A gauge reading against a limit; a reading of zero is none of it."""
    return Decision("pass", 1.0) if reading.value == 0 else case.decide(_quantity(reading), bound)


def _guard(case: _Case, reading: GaugeReading) -> float:
    return (reading.U or 0.0) if case.rule == "guarded" else 0.0


def _quantity(reading: GaugeReading) -> Quantity:
    return Quantity(value=reading.value, U=reading.U, unit=reading.unit)


def _smallest(readings: Sequence[GaugeReading]) -> GaugeReading | None:
    return min(readings, key=lambda reading: reading.value - (reading.U or 0), default=None)


def _difference(more: Quantity, less: Quantity) -> Quantity:
    """``more - less`` with U from both, or why not."""
    if more.value is None or less.value is None:
        return unknown(more.why or less.why or "it is not known")
    return Quantity(value=more.value - less.value, U=math.hypot(more.U or 0, less.U or 0), unit=more.unit)


def _apart(one: Quantity, other: Quantity) -> Quantity:
    difference = _difference(one, other)
    return difference if difference.value is None else difference.model_copy(update={"value": abs(difference.value)})


def _extent(indication: Indication) -> float:
    start, end = span(indication)
    return 0.0 if start is None or end is None else end - start


def _detection_kind(line: Line) -> str:
    return line.kind.seen[0] if line.kind.seen else ""


def _unknown_bound(bound: Quantity, needs: Sequence[Need]) -> _Verdict:
    return _Verdict("undecided", f"the limit cannot be worked out: {bound.why}", needs=tuple(needs))


def _places(places: Iterable[float | None]) -> tuple[float, ...]:
    return tuple(place for place in places if place is not None)


def _plain(value: float, U: float | None, unit: str) -> str:
    spread = "" if not U else f" ± {U:.2g}"
    return f"{value:.3g}{spread}{'°' if unit == 'deg' else ''}"


def _said(case: _Case, reading: GaugeReading) -> str:
    gauge = gauges()[reading.name]
    unit = case.evidence.unit
    if gauge.unit == "mm":
        words = case.mm(reading.value, reading.U)
    else:
        words = _plain(reading.value, reading.U, gauge.unit)
    place = "" if reading.at is None else f" at {shown(reading.at, unit)}"
    return f"{reading.name} {'stated' if gauge.statement else 'read'} as {words}{place}"


def _where(case: _Case, words: str, items: Sequence[Indication]) -> str:
    """``undercut at 37 mm and 82 mm``, with a size where there is one."""
    told = [shown(place, case.evidence.unit) for place in (middle(item) for item in items[:3]) if place is not None]
    more = f" and {len(items) - 3} more" if len(items) > 3 else ""
    return f"{words} at {', '.join(told)}{more}" if told else f"{words} ({len(items)})"


def _told(needs: Sequence[Need], evidence: Evidence) -> tuple[str, ...]:
    """The needs as a short list: photo, settings, one look for all that an eye settles, one line a gauge."""
    plain = sorted((need for need in needs if need.text), key=lambda need: need.step)
    texts = list(dict.fromkeys(need.text for need in plain))
    places: dict[int, dict[str, dict[str, None]]] = {EYE: {}, GAUGE: {}}
    for need in needs:
        if need.gauge and not need.text:
            spots = places[need.step].setdefault(need.gauge, {})
            spots.update(dict.fromkeys(shown(place, evidence.unit) for place in need.places))
    known = gauges()
    counts = [name for name in places[EYE] if not known[name].permission]
    if counts:
        looked = "; ".join(f"{known[name].meaning}{_at(places[EYE][name])}" for name in counts)
        stated = ", ".join(f"{name}=0" for name in counts)
        texts.append(f"Look along the whole weld, with a lens, for {looked}; state what is there ({stated} for none).")
    for name in places[EYE]:
        if known[name].permission:
            texts.append(f"State {name}: {known[name].meaning}{_at(places[EYE][name])}.")
    for name, spots in places[GAUGE].items():
        texts.append(f"Gauge {name}: {known[name].meaning}{_at(spots)}.")
    return tuple(texts)


def _at(spots: Iterable[str]) -> str:
    listed = list(spots)
    if not listed:
        return ""
    more = f" and {len(listed) - 5} more places" if len(listed) > 5 else ""
    return f" (at {', '.join(listed[:5])}{more})"
