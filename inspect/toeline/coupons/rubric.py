"""A scoring rubric: which measures of a coupon count, how a measure becomes points, and what fails outright.

A rubric is a TOML text. :func:`read_rubric` refuses nonsense with the line it stands on; :func:`load_rubric` takes the
id of a shipped rubric or a path.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import tomlkit
from pydantic import Field, ValidationError, field_validator, model_validator

from toeline.causes.remedies import remedies
from toeline.datafile import line_of, read_toml
from toeline.errors import RubricError
from toeline.evidence.gauge import gauges
from toeline.measures.registry import ids
from toeline.result import IndicationKind, Model
from toeline.text import spoken_error

#: Measures of a bead that a rubric may score, by their names in the result document.
MEASURES = ids(scorable=True)
#: What a measure may be divided by: another measure, or the electrode's diameter that the user gave.
ELECTRODE = "electrode_mm"
MOST_WEIGHT = 1000

Share = Annotated[float, Field(ge=0, le=1)]


class Evidence(Model):
    """Where the number comes from: one measure (perhaps per another), or the count of one kind of indication."""

    measure: str | None = None
    indication: IndicationKind | None = None
    per: str | None = None

    @field_validator("measure")
    @classmethod
    def _known_measure(cls, name: str | None) -> str | None:
        if name is not None and name not in MEASURES:
            raise ValueError(f"there is no measure {name!r}; known are {', '.join(MEASURES)}")
        return name

    @field_validator("per")
    @classmethod
    def _known_divisor(cls, name: str | None) -> str | None:
        if name is not None and name not in (*MEASURES, ELECTRODE):
            raise ValueError(f"cannot divide by {name!r}; known are {ELECTRODE}, {', '.join(MEASURES)}")
        return name

    @model_validator(mode="after")
    def _one_source(self) -> Evidence:
        if (self.measure is None) == (self.indication is None):
            raise ValueError("give either measure or indication, and not both")
        if self.per is not None and self.measure is None:
            raise ValueError("per needs a measure to divide")
        return self


class Either(Model):
    """Topics of ``remedies.toml`` for a value under and over where a curve is at its best."""

    under: str
    over: str


class Item(Evidence):
    """A line that earns points: ``curve`` gives the share of ``weight`` at a value, straight between its points.

    What to practise where it lost points is a topic of ``remedies.toml``, so that it comes from the coach's own list,
    or ``coaching``, a text of the rubric's own.
    """

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    title: Annotated[str, Field(min_length=1, max_length=80)]
    weight: Annotated[float, Field(gt=0, le=MOST_WEIGHT)]
    curve: Annotated[tuple[tuple[float, Share], ...], Field(min_length=2)]
    against: Literal["reference"] | None = None
    look: Annotated[str | None, Field(description="the statement that settles this line when it says none")] = None
    another_photo: Annotated[str | None, Field(description="what another photo has to show better")] = None
    unit: str = "mm"
    why: str
    practise: str | Either | None = None
    coaching: str | None = None
    source: Annotated[str, Field(min_length=1)]

    @field_validator("practise")
    @classmethod
    def _known_topic(cls, given: str | Either | None) -> str | Either | None:
        named = (given.under, given.over) if isinstance(given, Either) else (given,) if given else ()
        for topic in named:
            if topic not in remedies().topics:
                raise ValueError(f"there is no topic {topic!r} to practise; known are {', '.join(remedies().topics)}")
        return given

    @model_validator(mode="after")
    def _one_advice(self) -> Item:
        if (self.practise is None) == (self.coaching is None):
            raise ValueError("give either practise, a topic, or coaching, a text of your own")
        return self

    def topic(self, value: float) -> str | None:
        """What to practise at this value; None where the rubric has words of its own."""
        if not isinstance(self.practise, Either):
            return self.practise
        best = [at for at, share in self.curve if share == max(s for _, s in self.curve)]
        return self.practise.under if value < sum(best) / len(best) else self.practise.over

    @field_validator("look")
    @classmethod
    def _known_statement(cls, name: str | None) -> str | None:
        known = [one for one, gauge in gauges().items() if gauge.question]
        if name is not None and name not in known:
            raise ValueError(f"there is no statement {name!r}; known are {', '.join(known)}")
        return name

    @field_validator("curve")
    @classmethod
    def _ascending(cls, curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        if any(second[0] <= first[0] for first, second in pairwise(curve)):
            raise ValueError("the values of the curve must ascend")
        return curve


class OutrightFail(Evidence):
    """One thing that fails a coupon whatever its points: an indication seen, or a measure beyond a limit."""

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    title: Annotated[str, Field(min_length=1, max_length=80)]
    over: float
    unit: str = "mm"
    why: str
    source: Annotated[str, Field(min_length=1)]


class Rubric(Model):
    """A whole rubric. ``digest`` is the SHA-256 of the text it was read from."""

    schema_: Annotated[Literal["toeline.rubric/1"], Field(alias="schema")]
    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")]
    title: Annotated[str, Field(min_length=1, max_length=80)]
    about: str
    pass_share: Share
    open_from: Annotated[Share, Field(description="a line in doubt by more than this share of it is not counted")] = 0.5
    least_known: Annotated[Share, Field(description="share of all points that must be counted for a score")] = 0.6
    seen_from: Annotated[Share, Field(description="confidence from which an indication counts as seen")]
    item: Annotated[tuple[Item, ...], Field(min_length=1)]
    fails: tuple[OutrightFail, ...] = ()
    digest: str = ""

    @model_validator(mode="after")
    def _unique_ids(self) -> Rubric:
        ids = [item.id for item in self.item] + [rule.id for rule in self.fails]
        if repeated := {name for name in ids if ids.count(name) > 1}:
            raise ValueError(f"the id {min(repeated)!r} is used twice")
        return self

    @property
    def points(self) -> float:
        """The most points a coupon can earn."""
        return sum(item.weight for item in self.item)

    @property
    def needs_reference(self) -> bool:
        """Whether a reference bead must be photographed before anything can be scored."""
        return any(item.against == "reference" for item in self.item)


def read_rubric(text: str, name: str = "rubric") -> Rubric:
    """The rubric in a TOML text; ``name`` is what errors call it.

    Raises RubricError with the line that is wrong.
    """
    try:
        data = read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise RubricError(f"{name}: this is not valid TOML: {error}.") from None
    data["digest"] = hashlib.sha256(text.encode()).hexdigest()
    try:
        return Rubric.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = [str(part) if isinstance(part, int) else part for part in first["loc"]]
        message = spoken_error(first)
        line = line_of(text, first["loc"])
        raise RubricError(f"{name}, line {line}: {'.'.join(where) or 'rubric'}: {message}.") from None


def with_marks(text: str, pass_share: float, weights: Mapping[str, float]) -> str:
    """A rubric's text with another pass mark (a share of all points) and other weights by the items' ids; a weight of 0
    takes the item out. Comments and everything else stay.

    Raises:
        RubricError: what comes out is no rubric, or there is no item of an id; the text says why.
    """
    read_rubric(text)
    document = tomlkit.parse(text)
    items = document["item"]
    assert isinstance(items, tomlkit.items.AoT)
    if missing := weights.keys() - {str(item["id"]) for item in items}:
        raise RubricError(f"The rubric has no item {min(missing)!r}.")
    if wrong := next((w for w in weights.values() if not 0 <= w <= MOST_WEIGHT), None):
        raise RubricError(f"A weight of {wrong:g} cannot be; give 0 to {MOST_WEIGHT} points.")
    for place in reversed(range(len(items))):
        weight = weights.get(str(items[place]["id"]))
        if weight == 0:
            del items[place]
        elif weight is not None and weight != items[place]["weight"]:
            items[place]["weight"] = _number(weight)
    if not items:
        raise RubricError("Give at least one thing points, or nothing can be scored.")
    if not 0 < pass_share <= 1:
        raise RubricError("The pass mark has to lie above no points and at most at all of them.")
    if pass_share != document["pass_share"]:
        document["pass_share"] = _number(pass_share)
    changed = tomlkit.dumps(document)
    read_rubric(changed)
    return changed


def _number(value: float) -> float | int:
    return int(value) if value == int(value) else round(value, 4)


def shipped_rubrics() -> tuple[str, ...]:
    """Ids of the rubrics that come with the package."""
    return tuple(sorted(path.name.removesuffix(".toml") for path in _shipped()))


def _shipped() -> Iterator[resources.abc.Traversable]:
    folder = resources.files("toeline") / "data" / "rubrics"
    return (path for path in folder.iterdir() if path.name.endswith(".toml"))


def rubric_text(id_or_path: str | Path) -> str:
    """The TOML text of a shipped rubric or of a file, to show, copy or edit.

    Raises:
        RubricError: neither is there.
    """
    for path in _shipped():
        if path.name == f"{id_or_path}.toml":
            return path.read_text(encoding="utf-8")
    try:
        return Path(id_or_path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        known = ", ".join(shipped_rubrics())
        raise RubricError(f"There is no rubric {str(id_or_path)!r}; give a TOML file or one of: {known}.") from None


def load_rubric(id_or_path: str | Path) -> Rubric:
    """A shipped rubric by its id, or one from a TOML file.

    Raises:
        RubricError: there is none, or it is wrong; the text says where.
    """
    return read_rubric(rubric_text(id_or_path), str(id_or_path))
