"""The one list of things to do about a bead, from ``data/remedies.toml``, in the words for a rod and a position."""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

from pydantic import Field

from toeline.causes.figures import Family, PositionName
from toeline.datafile import DataFile
from toeline.errors import ChartError
from toeline.result import Joint, Model

#: The figures that an action may name.
FIGURES = frozenset(
    {
        "arc",
        "arc_share",
        "current_lowered",
        "current_raised",
        "current_raised_little",
        "other",
        "polarity",
        "restart_at",
        "short",
        "side",
        "speed_over",
        "speed_under",
        "weave_limit",
        "where",
        "work_angle",
    }
)
EndOfRun = Literal["pulled_off", "drawn_back"]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What decides an action's words besides its figures; None where it is not known."""

    joint: Joint
    family: Family | None = None
    dragged: bool = False
    position: PositionName | None = None
    technique: Literal["stringer", "weave"] | None = None
    end: EndOfRun | None = None


class Words(Model):
    """What to say: ``say`` may hold figures, ``without`` is said where one of them is not known."""

    say: str
    without: str | None = None

    def spoken(self, figures: Mapping[str, str]) -> str | None:
        """The words with their figures, or None where a figure is missing and there are no words without it."""
        fits = placeholders(self.say) <= figures.keys()
        text = self.say if fits else self.without
        return None if text is None else text.format_map(figures)

    def lacks(self, figures: Mapping[str, str]) -> set[str]:
        """The figures that are wanted and not known."""
        return placeholders(self.say) - figures.keys()


class Variant(Words):
    """Other words where all of these hold."""

    family: tuple[Family, ...] = ()
    dragged: bool | None = None
    positions: tuple[PositionName, ...] = ()
    joints: tuple[Joint, ...] = ()
    techniques: tuple[Literal["stringer", "weave"], ...] = ()
    end: EndOfRun | None = None

    def fits(self, here: Circumstances) -> bool:
        """Whether these words are for these circumstances."""
        asked = (
            (self.family, here.family),
            (self.positions, here.position),
            (self.joints, here.joint),
            (self.techniques, here.technique),
        )
        return (
            all(not wanted or is_ in wanted for wanted, is_ in asked)
            and self.dragged in (None, here.dragged)
            and self.end in (None, here.end)
        )


class Action(Words):
    """One thing to do: which variable it moves and which way, where it moves one; whether it stops all other work."""

    id: str
    variable: str | None = None
    way: Literal[-1, 0, 1] = 0
    stops: bool = False
    source: str = "common practice, no source"
    for_: tuple[Variant, ...] = Field(default=(), alias="for")

    def words(self, here: Circumstances) -> Words:
        """The words for these circumstances."""
        return next((variant for variant in self.for_ if variant.fits(here)), self)


class Topic(Model):
    """Something a sheet may be about: how it shows, and what to do about it where no cause explains it."""

    id: str
    title: str
    signs: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    actions: tuple[str, ...] = Field(min_length=1)
    iso: tuple[str, ...] = ()
    of: tuple[str, ...] = ()


class RemediesFile(DataFile, file="remedies.toml"):
    """The list as it is written."""

    action: tuple[Action, ...]
    topic: tuple[Topic, ...]


class Remedies(Model):
    """Everything in ``remedies.toml``, by its id."""

    actions: dict[str, Action]
    topics: dict[str, Topic]

    def topic_of(self, iso6520: str | None, of: str | None) -> Topic | None:
        """The topic of a criteria line, by its ISO 6520-1 number or by the quantity that it judges."""
        numbers = set((iso6520 or "").split("/"))
        named = (topic for topic in self.topics.values() if numbers & set(topic.iso))
        judged = (topic for topic in self.topics.values() if of in topic.of)
        return next(named, None) or next(judged, None)


def placeholders(text: str) -> set[str]:
    """The names of the figures a text wants."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def load_remedies(file: RemediesFile, name: str = RemediesFile.file_name) -> Remedies:
    """The list of a file; raises :class:`ChartError` with the entry that makes no sense."""
    actions: dict[str, Action] = {}
    for action in file.action:
        where = f"{name}: action {action.id!r}"
        if action.id in actions:
            raise ChartError(f"{where} stands twice.")
        if (action.variable is None) != (action.way == 0):
            raise ChartError(f"{where}: a variable needs a way of 1 or -1, and a way a variable.")
        for words in (action, *action.for_):
            _check_words(words, where)
        actions[action.id] = action
    topics: dict[str, Topic] = {}
    for topic in file.topic:
        if topic.id in topics:
            raise ChartError(f"{name}: topic {topic.id!r} stands twice.")
        if unknown_action := [each for each in topic.actions if each not in actions]:
            raise ChartError(f"{name}: topic {topic.id!r}: there is no action {unknown_action[0]!r}.")
        topics[topic.id] = topic
    return Remedies(actions=actions, topics=topics)


def _check_words(words: Words, where: str) -> None:
    """Every figure that is wanted exists, and what is said without one wants none."""
    if unknown := (placeholders(words.say) | placeholders(words.without or "")) - FIGURES:
        raise ChartError(f"{where}: no figure {min(unknown)!r} is known; there are {', '.join(sorted(FIGURES))}.")
    if wanted := placeholders(words.without or "") - {"work_angle", "where"}:
        raise ChartError(f"{where}: what is said without figures wants {min(wanted)!r}.")


@cache
def remedies() -> Remedies:
    """The list that ships with the package."""
    return load_remedies(RemediesFile.read())


@dataclass(frozen=True, slots=True)
class Advice:
    """An action in words."""

    action: Action
    text: str

    def against(self, others: Iterable[Advice]) -> bool:
        """Whether it moves something the other way than one of these does."""
        mine = self.action
        return any(
            mine.variable is not None and mine.variable == other.action.variable and mine.way == -other.action.way
            for other in others
        )
