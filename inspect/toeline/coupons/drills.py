"""What to weld next: for each trouble an exercise with the figure by which it is done, from ``data/drills.toml``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Literal

from pydantic import Field, model_validator

from toeline.causes.chart import chart
from toeline.causes.coaching import Coach
from toeline.causes.ranking import rank
from toeline.causes.remedies import Variant, Words, placeholders, remedies
from toeline.coupons.rubric import ELECTRODE, Evidence, Item, Rubric
from toeline.coupons.score import ItemScore, Score, evidence_of
from toeline.datafile import DataFile
from toeline.errors import DataFileError
from toeline.measures.registry import MEASURES
from toeline.result import Joint, Quantity, Result, Settings
from toeline.units import Unit, convert, decimals_for, figure, in_unit

#: Which drill a sheet calls for by its first thing alone.
First = Literal["setting", "look", "keep"]
#: Whether a figure is reached: by more than its uncertainty, or it cannot be told.
Reached = Literal["yes", "no", "cannot be told"]


class Done(Evidence):
    """The figure by which a drill is done: what is looked at, what it is called in a sentence, and between which limits
    it has to lie."""

    called: Annotated[str, Field(min_length=1, max_length=60)]
    at_least: float | None = None
    at_most: float | None = None
    joints: tuple[Joint, ...] = ()
    techniques: tuple[Literal["stringer", "weave"], ...] = ()

    @model_validator(mode="after")
    def _has_a_limit(self) -> Done:
        if self.at_least is None and self.at_most is None:
            raise ValueError("give at_least or at_most")
        if self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most:
            raise ValueError("at_least has to lie under at_most")
        return self

    def fits(self, settings: Settings) -> bool:
        """Whether it has a meaning for this weld: its joint and technique have it, and its size was given."""
        if self.joints and settings.joint not in self.joints:
            return False
        if self.techniques and settings.welding.technique not in (None, *self.techniques):
            return False
        if self.measure == "undersize_share" and settings.drawing_size_mm is None:
            return False
        return self.measure is None or settings.joint in MEASURES[self.measure].joints

    def value(self, result: Result) -> Quantity:
        """What a result says of it."""
        return evidence_of(self, result)

    def reached(self, value: Quantity) -> Reached:
        """Whether a value lies between the limits with its uncertainty; beyond them by more than that is a no."""
        if value.value is None:
            return "cannot be told"
        low, high = value.value - (value.U or 0.0), value.value + (value.U or 0.0)
        least, most = self._limits()
        if least <= low and high <= most:
            return "yes"
        return "no" if high < least or low > most else "cannot be told"

    def off_by(self, value: float) -> float:
        """How far a value lies outside the limits; 0 between them."""
        least, most = self._limits()
        return max(least - value, value - most, 0.0)

    def _limits(self) -> tuple[float, float]:
        least = float("-inf") if self.at_least is None else self.at_least
        return least, float("inf") if self.at_most is None else self.at_most

    def limits_in_words(self, unit: Unit = "mm", electrode_mm: float | None = None) -> str:
        """``at most 6 %``, ``2 to 3 core diameters, 6.4 to 9.6 mm``."""
        words = _between(*(None if x is None else in_words(self, x, unit) for x in (self.at_least, self.at_most)))
        if self.per == ELECTRODE and electrode_mm is not None:
            sizes = (None if x is None else figure(x * electrode_mm, unit) for x in (self.at_least, self.at_most))
            words += f", {_between(*sizes)}"
        return words


def _between(low: str | None, high: str | None) -> str:
    if low is None or high is None:
        return f"at most {high}" if low is None else f"at least {low}"
    number, _, name = low.partition(" ")
    return f"{number if high.endswith(name) else low} to {high}"


#: Round inches behind a length.
_INCHES = re.compile(r" \((?:[\d./]+ to )?[\d./]+ in\)")
#: What stands for a figure where a drill is told for no one bead.
_IN_GENERAL = {
    "arc": "about the core diameter of the rod",
    "weave_limit": "2.5 core diameters of the rod",
    "work_angle": "square across the joint, on a fillet half way between the plates",
}


class Drill(Words):
    """One exercise."""

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    title: Annotated[str, Field(min_length=1, max_length=40)]
    troubles: tuple[str, ...] = ()
    topics: tuple[str, ...] = ()
    when: First | None = None
    variable: str | None = None
    way: Literal[-1, 0, 1] = 0
    done: tuple[Done, ...]
    beads: Annotated[int, Field(ge=1, le=20)]
    source: str = "common practice, no source"
    for_: tuple[Variant, ...] = Field(default=(), alias="for")

    def general(self, unit: Unit = "mm") -> str:
        """What to weld, in the words for any rod."""
        return _with_lengths(self.without or self.say.format_map(_IN_GENERAL), unit)


class DrillList(DataFile, file="drills.toml"):
    """The whole list: each trouble of the chart has one drill, each sheet without one has one too."""

    drill: tuple[Drill, ...]

    @model_validator(mode="after")
    def _whole(self) -> DrillList:
        _once("drill", [one.id for one in self.drill])
        _once("the trouble", [name for one in self.drill for name in one.troubles])
        _once("the topic", [name for one in self.drill for name in one.topics])
        _once("when", [one.when for one in self.drill if one.when])
        for one in self.drill:
            for words in (one, *one.for_):
                if strange := (placeholders(words.say) | placeholders(words.without or "")) - _IN_GENERAL.keys():
                    raise ValueError(f"drill {one.id!r}: no figure {min(strange)!r} is known")
        return self


def _with_lengths(text: str, unit: Unit) -> str:
    """A text whose lengths stand in mm with round inches behind them, in one unit."""
    return in_unit(text, unit) if unit == "in" else _INCHES.sub("", text)


def _once(what: str, names: Sequence[str]) -> None:
    if twice := [name for name in names if names.count(name) > 1]:
        raise ValueError(f"{what} {twice[0]!r} stands twice")


@cache
def drills() -> tuple[Drill, ...]:
    """The drills that ship with the package.

    Raises:
        DataFileError: the list leaves out a trouble of the chart, or names one that is not there.
    """
    found = DrillList.read().drill
    rows, topics = {trouble.id for trouble in chart().troubles}, set(remedies().topics)
    named = {name for one in found for name in one.troubles}
    if wrong := (named ^ rows) | ({name for one in found for name in one.topics} - topics):
        raise DataFileError(f"drills.toml: {min(wrong)!r} has no drill, or is no trouble and no topic.")
    return found


@dataclass(frozen=True, slots=True)
class NextDrill:
    """The drill for one bead: what to weld, in the words for its rod, joint and position, and when it is done.

    ``done`` is the figure, None where only a person can tell; ``value`` what this bead has of it.
    """

    drill: Drill
    say: str
    done: Done | None
    value: Quantity | None

    @property
    def title(self) -> str:
        """Its title."""
        return self.drill.title

    def pass_in_words(self, unit: Unit = "mm", electrode_mm: float | None = None) -> str:
        """When the drill is done, as a sentence."""
        again = "once" if self.drill.beads == 1 else f"{self.drill.beads} times in a row"
        if self.done is None:
            return f"Done when your instructor has seen it {again}."
        if self.done.indication is not None:
            return f"Done when a look finds {self.done.called}, {again}."
        return (
            f"Done when {in_unit(self.done.called, unit)} is {self.done.limits_in_words(unit, electrode_mm)}, {again}."
        )

    def figure_in_words(self, unit: Unit = "mm", electrode_mm: float | None = None) -> str | None:
        """What this bead has of the figure, and what it is to be; None where there is no figure or no value of it."""
        if self.done is None or self.value is None or self.value.value is None or self.done.indication is not None:
            return None
        has = in_words(self.done, self.value.value, unit, self.value.U)
        called = in_unit(self.done.called, unit).rstrip(",")
        return f"{called[0].upper()}{called[1:]}: {has}, to be {self.done.limits_in_words(unit, electrode_mm)}."


def next_drill(result: Result, scored: Score | None = None, rubric: Rubric | None = None) -> NextDrill | None:
    """The drill that goes with the coaching sheet of a bead; None where nothing on its photo is believed.

    It is for what comes first on that sheet: a setting put right, a look, a trouble; where none is named, for a line
    that fails or for what surely lost most points of a ``scored`` rubric; else the same again.

    Raises:
        DataFileError: a drill of ``drills.toml`` has no words for a bead whose figures are not known.
    """
    if result.stopped or result.coaching is None:
        return None
    coach = Coach(result, rank(result))
    lost = surely_lost(scored, rubric) if scored is not None and rubric is not None else None
    item = next((one for one in rubric.item if one.id == lost.id), None) if rubric is not None and lost else None
    drill, by_item = _drill(coach, result.coaching.first_is, item, lost)
    words = next((variant for variant in drill.for_ if variant.fits(coach.here)), drill)
    text = words.spoken(coach.figures)
    if text is None:
        raise DataFileError(f"drills.toml: {drill.id!r} needs words without its figures.")
    about = item.measure if item is not None and by_item else None
    done, value = _figure(drill, result, about)
    return NextDrill(drill, _with_lengths(text, result.settings.unit), done, value)


def figure_of_likeliest(result: Result) -> tuple[str, Done] | None:
    """The likeliest trouble of a bead, and the figure of its drill; None where no trouble is named or it has none."""
    ranked = rank(result).ranked
    if result.stopped or not ranked:
        return None
    trouble = ranked[0].trouble
    done, _ = _figure(next(one for one in drills() if trouble.id in one.troubles), result)
    return None if done is None else (trouble.title, done)


def _figure(drill: Drill, result: Result, about: str | None = None) -> tuple[Done | None, Quantity | None]:
    """The figure of a drill for a bead, with its value: the one ``about`` a measure, else the first not reached yet."""
    fit = [(one, one.value(result)) for one in drill.done if one.fits(result.settings) or one.measure == about]
    fit.sort(key=lambda pair: about is not None and pair[0].measure != about)
    open_yet = [(one, value) for one, value in fit if value.value is not None and one.reached(value) != "yes"]
    return next(iter([*open_yet, *fit]), (None, None))


def _drill(coach: Coach, first_is: str, item: Item | None, lost: ItemScore | None) -> tuple[Drill, bool]:
    """The drill, and whether it is for what lost points rather than for what the coach found."""
    by_trouble = {name: one for one in drills() for name in one.troubles}
    by_topic = {name: one for one in drills() for name in one.topics}
    by_first = {one.when: one for one in drills() if one.when}
    ranked = coach.ranking.ranked
    if first_is == "setting" or (first_is == "look" and ranked):
        return by_first["setting" if first_is == "setting" else "look"], False
    if ranked:
        return by_trouble[ranked[0].trouble.id], False
    for line, _ in coach.failing:
        topic = remedies().topic_of(line.iso6520, line.of)
        if topic is not None and topic.id in by_topic:
            return by_topic[topic.id], False
    wanted = item.topic(lost.value.value) if item and lost and lost.value.value is not None else None
    if wanted in by_topic:
        return by_topic[wanted], True
    return by_first["keep" if first_is == "keep" else "look"], False


def surely_lost(scored: Score, rubric: Rubric) -> ItemScore | None:
    """The line that lost most, of those that lie under the rubric's pass mark by more than their doubt."""
    lost = (one for one in scored.to_practise if one.points is not None)
    return next((one for one in lost if (one.points or 0.0) + one.U < rubric.pass_share * one.weight), None)


# -- figures in words ---------------------------------------------------------------------------------------------


def in_words(evidence: Evidence, value: float, unit: Unit = "mm", spread: float | None = None) -> str:
    """A value, with its ``spread`` where there is one, as a learner reads it: percent, core diameters, a length."""
    if evidence.indication is not None or (evidence.per is None and _counts(evidence)):
        return _rounded(value, spread, 0)
    if evidence.per == ELECTRODE:
        return f"{_rounded(value, spread, 1)} core diameters"
    if evidence.per is not None or MEASURES[str(evidence.measure)].ratio or evidence.measure == "undersize_share":
        return f"{_rounded(100 * value, None if spread is None else 100 * spread, 1)} %"
    own = MEASURES[str(evidence.measure)].unit
    shown, name = convert(value, own, unit)
    around = None if spread is None else convert(spread, own, unit)[0]
    return f"{_rounded(shown, around, 3 if name == 'in' else 2)}{'°' if name == 'deg' else f' {name}'}"


def _counts(evidence: Evidence) -> bool:
    return str(evidence.measure) in ("spatter_count", "spatter_per_100mm")


def _rounded(value: float, spread: float | None, places: int) -> str:
    """A value to as many places as its spread allows, ``places`` at most; a spread too small to show is left out."""
    if spread is None or spread < 0.5 * 10**-places:
        text = f"{value:.{places}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    shown = min(places, decimals_for(spread))
    return f"{value:.{shown}f} ± {spread:.{shown}f}"


# -- the next session ---------------------------------------------------------------------------------------------


def grouped(named: Iterable[tuple[str, NextDrill | None]]) -> tuple[tuple[Drill | None, tuple[str, ...]], ...]:
    """Who does which drill, the most wanted first; under None who has to bring a photo that can be used."""
    by_drill: dict[str, list[str]] = {}
    for name, found in named:
        mine = by_drill.setdefault(found.drill.id if found else "", [])
        if name not in mine:
            mine.append(name)
    known = {one.id: one for one in drills()}
    order = sorted(by_drill.items(), key=lambda pair: (pair[0] == "", -len(pair[1]), pair[0]))
    return tuple((known.get(drill), tuple(names)) for drill, names in order)
