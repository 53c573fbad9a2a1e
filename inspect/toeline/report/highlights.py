"""What a person reads of a result in five seconds: the worst lines and the one thing to change."""

from __future__ import annotations

from toeline.causes.figures import CoachingWords
from toeline.measures.registry import MEASURES
from toeline.names import CAUSES
from toeline.result import JudgedLine, Judgement, Problem, Quantity, Result

_WORST_FIRST = {"fail": 0, "undecided": 1, "pass": 2}
#: How likely a line conforms that has no number to tell by.
_WITHOUT_NUMBER = {"fail": 0.0, "undecided": 0.5, "pass": 1.0}
#: Said wherever the chances of several causes stand.
CHANCES: str = CoachingWords.read().chances
_SEVEREST_FIRST = {"stop": 0, "warning": 1, "note": 2}


def worst_lines(judgement: Judgement, count: int = 2) -> tuple[JudgedLine, ...]:
    """The lines that decide a judgement: failed before undecided before passed.

    Lines for which something was seen or read come before those that only wait for a look, the least likely to
    conform first.
    """

    def rank(line: JudgedLine) -> tuple[int, bool, float]:
        p = _WITHOUT_NUMBER[line.outcome] if line.p_conform is None else line.p_conform
        return _WORST_FIRST[line.outcome], not speaks(line), p

    return tuple(sorted(judgement.lines, key=rank)[:count])


def speaks(line: JudgedLine) -> bool:
    """Whether something was seen, measured or gauged for this line: a line that only waits for a look says nothing."""
    return line.evidence != "none" and (line.at is not None or line.p_conform is not None)


def measures_to_read(result: Result) -> dict[str, Quantity]:
    """The measures in the order a person reads them.

    A fillet's size comes first. Its width over both plates unfolded is what unevenness is taken from, and no width
    that anyone could gauge: it is left out.
    """
    joint, measures = result.settings.joint, result.measures
    known = [name for name, one in MEASURES.items() if joint in one.joints and name in measures]
    return {name: measures[name] for name in (*known, *(name for name in measures if name not in MEASURES))}


def severest_first(problems: tuple[Problem, ...]) -> tuple[Problem, ...]:
    """Problems with what stops a measurement first."""
    return tuple(sorted(problems, key=lambda problem: _SEVEREST_FIRST[problem.severity]))


def likely_causes(result: Result) -> str | None:
    """The likeliest cause in words, or those that cannot be told apart; None where none is named."""
    if not result.causes:
        return None
    first, *others = result.causes
    if first.told_apart_by is None:
        return f"Most likely: {CAUSES[first.cause].lower()}"
    tied = [one for one in others if one.told_apart_by and 4 * one.likelihood > first.likelihood]
    return "May be: " + " or ".join(CAUSES[one.cause].lower() for one in (first, *tied))


def first_change(result: Result) -> str | None:
    """The one thing to do first, or None where nothing is to be changed or said."""
    if result.coaching is not None:
        return None if result.coaching.first_is == "keep" else result.coaching.first
    return next((cause.try_[0] for cause in result.causes if cause.try_), None)  # a document of an older toeline
