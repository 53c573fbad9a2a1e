"""Lines that allow none, and lines that leave it to the application."""

from __future__ import annotations

import math

from toeline.evidence.evidence import middle
from toeline.evidence.needs import Need, Step
from toeline.judgement.case import Case, Verdict, as_quantity, none_stated


def judge_presence(case: Case) -> Verdict:
    """None may be there: what the photo surely shows or a person states fails; only a person's look passes.

    Where a person looked at the very place of an indication and found nothing, the person is right. A blanket
    statement against something the photo surely shows sends the person back to that place.
    """
    kind, evidence = case.line.kind, case.evidence
    stated = (*evidence.readings(kind.statement), *evidence.readings(kind.gauge))
    over = [r for r in stated if r.value - ((r.U or 0.0) if case.rule == "guarded" else 0.0) > 0]
    if over:
        worst = max(over, key=lambda reading: reading.value)
        why = f"{case.said(worst)}; none may be there"
        return Verdict("fail", why, "gauge or eye", as_quantity(worst), worst.at)
    found = [i for i in evidence.seen(kind.seen) if not any(r.value == 0 and evidence.near(r, i) for r in stated)]
    places = [middle(item) for item in found]
    blanket = none_stated(stated)
    sure = [item for item in found if evidence.sure(item)]
    if sure and not blanket:
        return Verdict("fail", f"the photo shows {case.where(sure)}; none may be there", "photo", at=middle(sure[0]))
    if found:
        against = ", but none was stated" if blanket else ""
        why = f"the photo shows what looks like {case.where(found)}{against}; look again there"
        return Verdict("undecided", why, "photo", at=places[0], needs=case.look(*places) or case.gauge(*places))
    unclear = next((reading for reading in stated if reading.value > 0), None)
    if unclear is not None:
        why = f"{case.said(unclear)}, not surely more than none"
        return Verdict("undecided", why, "gauge", as_quantity(unclear), unclear.at, needs=case.look(unclear.at))
    if blanket:
        return Verdict("pass", "a person looked and stated none", "eye")
    why, shown = evidence.absent(case.detection_kind, 0.0)
    return Verdict("pass" if shown else "undecided", why, "photo", needs=() if shown else case.look())


def judge_application(case: Case) -> Verdict:
    """The standard leaves it to the application: nothing of it passes, for the rest a person says yes or no."""
    evidence, kind, eye = case.evidence, case.line.kind, case.line.eye
    answers = evidence.readings(eye)
    if any(reading.value == 0 for reading in answers):
        return Verdict("fail", "a person stated that it may not stay in this application", "eye")
    if answers:
        return Verdict("pass", "a person stated that it may stay in this application", "eye")
    found = evidence.seen(kind.seen)
    if found:
        why = f"the photo shows {case.where(found)}; the standard leaves it to the application"
        return Verdict("undecided", why, "photo", at=middle(found[0]), needs=(Need(Step.EYE, name=eye),))
    stated = evidence.readings(kind.statement)
    if any(reading.value > 0 for reading in stated):
        return Verdict("undecided", "some was stated; the standard leaves it to the application", "eye",
                       needs=(Need(Step.EYE, name=eye),))  # fmt: skip
    if none_stated(stated):
        return Verdict("pass", "a person looked and stated none", "eye")
    why, shown = evidence.absent(case.detection_kind, math.inf)
    return Verdict("pass" if shown else "undecided", why, "photo", needs=() if shown else case.look())
