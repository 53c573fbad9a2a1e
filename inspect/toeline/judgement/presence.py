"""Lines that allow none, and lines that leave it to the application."""

from __future__ import annotations

from toeline.evidence.evidence import middle
from toeline.evidence.needs import Need, Step
from toeline.judgement.case import Case, Verdict, as_quantity, none_stated


def judge_presence(case: Case) -> Verdict:
    """None may be there: what a person states or reads fails, a person's look along the whole weld passes.

    What the photo seems to show sends a person to look there, also one who stated none; where a person looked at the
    very place and found nothing, the person is right.
    """
    kind, evidence = case.line.kind, case.evidence
    stated = (*evidence.readings(kind.statement), *evidence.readings(kind.gauge))
    over = [r for r in stated if r.value - ((r.U or 0.0) if case.rule == "guarded" else 0.0) > 0]
    if over:
        worst = max(over, key=lambda reading: reading.value)
        why = f"{case.said(worst)}; none may be there"
        return Verdict("fail", why, "gauge or eye", as_quantity(worst), worst.at)
    unclear = next((reading for reading in stated if reading.value > 0), None)
    if unclear is not None:
        why = f"{case.said(unclear)}, not surely more than none"
        return Verdict("undecided", why, "gauge", as_quantity(unclear), unclear.at, needs=case.look(unclear.at))
    found = [i for i in evidence.seen(kind.seen) if not any(r.value == 0 and evidence.near(r, i) for r in stated)]
    nothing = none_stated(stated)
    if found:
        places = [middle(item) for item in found]
        against = ", but none was stated" if nothing else ""
        why = f"{case.may_be(found)}{against}; look there"
        return Verdict("undecided", why, "photo", at=places[0], needs=case.look(*places) or case.gauge(*places))
    if nothing:
        return Verdict("pass", case.looked(stated), "eye")
    return Verdict("undecided", "a photo cannot show that there is none", needs=case.look() or case.gauge())


def judge_application(case: Case) -> Verdict:
    """The standard leaves it to the application: nothing of it passes, for the rest a person says yes or no."""
    evidence, kind, eye = case.evidence, case.line.kind, case.line.eye
    answers = evidence.readings(eye)
    if any(reading.value == 0 for reading in answers):
        return Verdict("fail", f"{case.said(answers[0])}: it may not stay in this application", "eye")
    if answers:
        return Verdict("pass", f"{case.said(answers[0])}: it may stay in this application", "eye")
    ask = (Need(Step.EYE, name=eye),)
    stated, found = evidence.readings(kind.statement), evidence.seen(kind.seen)
    if any(reading.value > 0 for reading in stated):
        return Verdict("undecided", "some was stated; the standard leaves it to the application", "eye", needs=ask)
    if found:
        why = f"{case.may_be(found)}; the standard leaves it to the application"
        return Verdict("undecided", why, "photo", at=middle(found[0]), needs=ask)
    if none_stated(stated):
        return Verdict("pass", case.looked(stated), "eye")
    return Verdict("undecided", "a photo cannot show that there is none", needs=case.look())
