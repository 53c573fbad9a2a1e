"""What a result's causes come to: the ranked causes with what to try, and the coaching sheet, all from one list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from toeline.causes.coaching import Coach, advice_of, write_coaching
from toeline.causes.ranking import Ranked, rank
from toeline.causes.remedies import remedies
from toeline.result import Cause, Coaching, Result
from toeline.text import capital

OTHERWISE = "nothing that toeline takes in would tell; change one thing at a time and see which helps"


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """Causes, most likely first; ``causes_why`` where there is none to name; the coaching sheet; ``advice``, which is
    what the settings say by themselves. A photo that cannot be used gets none of it but the reason."""

    causes: tuple[Cause, ...] = ()
    causes_why: str | None = None
    coaching: Coaching | None = None
    advice: dict[str, Any] = field(default_factory=dict)


def rank_causes(result: Result) -> CauseFinding:
    """The likely causes of what ``result`` shows, most likely first, or why none is named; and what to do first.

    Raises :class:`toeline.errors.SettingsError` for settings that cannot be.
    """
    if not result.photo.usable:
        return CauseFinding(causes_why="The photo cannot be used, so nothing is said about causes.")
    if not result.bead.found:
        return CauseFinding(causes_why="No bead was measured, so nothing can be said about causes.")
    coach = Coach(result, rank(result))
    causes = tuple(_cause(coach, each) for each in coach.ranking.ranked)
    return CauseFinding(causes, _why_none(coach), write_coaching(coach), advice_of(result))


def practise(result: Result, topics: Sequence[str]) -> tuple[str | None, ...]:
    """What to practise about each of these topics of ``remedies.toml``, the most pressing first: from the list that the
    coaching sheet is drawn from, and never against it or each other. None where nothing is left to say, or where the
    photo cannot be used."""
    if not result.photo.usable or not result.bead.found:
        return (None,) * len(topics)
    said = Coach(result, rank(result)).practise([remedies().topics[topic] for topic in topics])
    return tuple(advice.text if advice else None for advice in said)


def _cause(coach: Coach, one: Ranked) -> Cause:
    return Cause(
        cause=one.cause,
        likelihood=round(one.share, 3),
        title=one.trouble.title,
        evidence=coach.ranking.evidence(one),
        against=coach.ranking.against(one),
        told_apart_by=_told_apart_by(coach, one),
        **{"try": tuple(advice.text for advice in coach.tries[one.cause])},
    )


def _told_apart_by(coach: Coach, one: Ranked) -> str | None:
    """Which causes it cannot be told apart from by what was seen, and the observation that would tell; or what it rests
    on, where only a look tells whether that is there."""
    if not one.rivals:
        seems = coach.seeming(one)
        if seems is None:
            return None
        says = coach.ranking.rules.signs[seems.sign].says[seems.state]
        return f"It rests on {says} ({seems.figure}), which the photo only seems to show: look there."
    rivals = [each for each in coach.ranking.ranked if each.cause in one.rivals]
    names = " or ".join(each.trouble.title for each in rivals)
    asks = coach.questions([one, *rivals])
    tell = f"to tell, find out {asks[0].ask}" if asks else OTHERWISE
    return f"Not told apart from {names} by what was seen: {tell}."


def _why_none(coach: Coach) -> str | None:
    """Why no cause is named; a line that fails is never followed by nothing being wrong."""
    ranking, failing = coach.ranking, [line.imperfection for line, _ in coach.failing]
    why = ranking.why_none
    if why is None:
        return None
    if ranking.doubtful is not None:
        remedy = coach.advice(ranking.doubtful.points_to.try_, ranking.doubtful.points_to)
        why = f"{why} {remedy[0].text}"
    if not failing:
        return why
    what = " and ".join(dict.fromkeys(failing))
    if ranking.doubtful is not None:
        why = why.replace("Nothing on the face points surely", "The face does not point surely")
        return f"{capital(what)} fails. {why}"
    return f"{capital(what)} fails; the face by itself does not tell which trouble gave it."
