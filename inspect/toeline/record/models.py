"""What the record takes and gives: frozen, typed models. Times are ISO 8601 in UTC, dates ISO 8601."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError

from toeline.errors import RecordError
from toeline.names import TestKind
from toeline.result import GaugeReading, Joint, Model, Outcome, Result
from toeline.text import one_line, spoken_error, unseen

DecisionKind = Literal["accept", "reject", "refer"]

#: The decision that agrees with each outcome of the tool; any other needs a reason.
AGREES: dict[Outcome, DecisionKind] = {"pass": "accept", "fail": "reject", "undecided": "refer"}


def _line(text: object) -> object:
    """One line of text; nothing becomes None."""
    return one_line(text) or None if isinstance(text, str) else text


def _paragraphs(text: object) -> object:
    """Text that may have several lines: other signs that nobody sees go, nothing becomes None."""
    if not isinstance(text, str):
        return text
    return "".join(c for c in text.replace("\r\n", "\n") if c in "\n\t" or not unseen(c)).strip() or None


Line = Annotated[Annotated[str, Field(max_length=200)] | None, BeforeValidator(_line)]
Text = Annotated[Annotated[str, Field(max_length=10_000)] | None, BeforeValidator(_paragraphs)]


_TEXT: TypeAdapter[str | None] = TypeAdapter(Text)


def clean_text(text: str | None) -> str | None:
    """``text`` as the record keeps it. Raises ``RecordError`` where it is too long."""
    try:
        return _TEXT.validate_python(text)
    except ValidationError:
        raise RecordError("The text is longer than 10 000 characters: shorten it.") from None


#: An error about a field must not repeat what was typed: it may be a name, and errors get logged.
_DISCREET = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, hide_input_in_errors=True)


class Identity(Model):
    """Which weld or coupon this is. ``welder`` and ``inspector`` are personal data and can be erased."""

    model_config = _DISCREET

    job: Line = None
    part: Line = None
    drawing: Line = None  # the drawing's number
    weld: Line = None  # the weld's number on the drawing
    weld_pass: Line = None  # root, fill, cap or a number
    layer: Line = None
    face: Line = None  # which side of the weld the photo shows: the face or the root
    welder: Line = None
    procedure: Line = None
    position: Line = None
    inspector: Line = None
    date: datetime.date | None = None  # the day of the inspection
    welded_on: datetime.date | None = None  # the day of welding, where it is known


class NewDecision(Model):
    """A decision about to be taken by a person."""

    model_config = _DISCREET

    decision: DecisionKind
    by: Line = None
    reason: Text = None


class Decision(NewDecision):
    """A decision that was taken; the latest of an inspection's decisions holds."""

    id: str
    at: str


class NewTest(Model):
    """The result of a test about to be added to a weld.

    ``by`` tested it, ``standard`` says how, ``report`` and ``specimen`` name papers and piece, ``found`` what was seen.
    """

    model_config = _DISCREET

    kind: TestKind
    outcome: Literal["pass", "fail"]
    date: datetime.date | None = None
    by: Line = None
    standard: Line = None
    report: Line = None
    specimen: Line = None
    found: Text = None


def read_test(**said: object) -> NewTest:
    """A test's result as a person typed it. Raises ``RecordError`` where it makes no sense."""
    try:
        return NewTest.model_validate(said)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise RecordError(f"The test's {first['loc'][0]}: {spoken_error(first)}.") from None


PhotoUse = Literal["measured", "heights", "further"]


class StoredPhoto(Model):
    """A photo kept with its original bytes; ``name`` is what the file was called, unless erased.

    ``use``: the one ``measured``, one more that told ``heights`` with it, or a ``further`` one to look at.
    """

    sha256: str
    size: int
    media_type: str
    name: str | None = None
    use: PhotoUse = "further"


class WeldTest(NewTest):
    """A test on record, its entry's ``number``, the inspection it was added to, and the ``photos`` of it.

    One that was superseded stays and counts no more: ``superseded_by`` is the entry's number of the one in its place.
    """

    id: str
    number: int
    at: str
    inspection: str
    photos: tuple[StoredPhoto, ...] = ()
    why_superseded: str | None = None
    superseded_by: int | None = None


class Head(Model):
    """The chain's newest entry: its digest, kept elsewhere, vouches for that entry and all before it."""

    number: int
    digest: str


class Inspection(Model):
    """One inspection as recorded. The first photo is the one measured.

    ``tests`` are those of its whole weld. ``erased`` names the personal fields that were there and have been erased;
    ``head`` is the newest entry of the record when it was read. Numbers are the entries'.
    """

    id: str
    number: int
    digest: str
    created_at: str
    identity: Identity
    remarks: str | None
    result: Result
    criteria: str | None
    photos: tuple[StoredPhoto, ...]
    decisions: tuple[Decision, ...]
    supersedes: str | None
    superseded_by: str | None
    why_superseded: str | None
    supersedes_number: int | None = None
    superseded_by_number: int | None = None
    tests: tuple[WeldTest, ...] = ()
    undid: tuple[str, ...] = ()  # by taking the place of an earlier one
    erased: tuple[str, ...] = ()
    head: Head

    @property
    def decision(self) -> Decision | None:
        """The decision that holds."""
        return self.decisions[-1] if self.decisions else None

    @property
    def gauge(self) -> tuple[GaugeReading, ...]:
        """The gauge readings taken for it."""
        return self.result.settings.gauge


class Summary(Model):
    """One row of a search; ``beside`` has to be read with the outcome, wherever it is shown."""

    id: str
    number: int
    created_at: str
    identity: Identity
    outcome: Outcome | None
    decision: DecisionKind | None
    criteria: str | None
    photo_sha256: str
    superseded: bool
    beside: tuple[str, ...] = ()


class Weld(Model):
    """All that is on record about one weld: same job, part, drawing and weld number.

    An inspection without a weld number stands for itself, with those that it superseded or that supersede it.
    """

    job: str | None
    part: str | None
    drawing: str | None
    weld: str | None
    inspections: tuple[Summary, ...]
    tests: tuple[WeldTest, ...]

    @property
    def holding(self) -> tuple[Summary, ...]:
        """The inspections that hold: none that was superseded."""
        return tuple(one for one in self.inspections if not one.superseded)

    @property
    def failed_tests(self) -> tuple[WeldTest, ...]:
        """The tests that hold and did not pass."""
        return tuple(one for one in self.tests if one.outcome == "fail" and one.superseded_by is None)


class Page(Model):
    """One page of a search, ``page`` counted from 1, and how many rows there are in all."""

    items: tuple[Summary, ...]
    total: int
    page: int
    size: int

    @property
    def pages(self) -> int:
        """How many pages there are, at least 1."""
        return max(1, -(-self.total // self.size))


class TrendPoint(Model):
    """One inspection's value of one measure; ``value`` is None where that inspection could not have it."""

    inspection: str
    number: int
    at: str
    value: float | None
    U: float | None
    unit: str
    outcome: Outcome | None
    decision: DecisionKind | None
    joint: Joint = "bead"
    electrode_mm: float | None = None


class Tidied(Model):
    """What tidying the photo folder did, in files."""

    set_aside: int
    brought_back: int
    let_go: int


class Hit(Model):
    """A place of the record that names a person; ``kept_because`` says why it cannot be erased, or is blank.

    ``inspection`` is blank where it stands in a welding procedure.
    """

    inspection: str
    number: int
    field: str
    text: str
    kept_because: str = ""


class Erasure(Model):
    """What erasing a person removed, in how many inspections; what had to be ``kept``; and what else to think of."""

    fields: int
    photos: int
    inspections: int
    kept: tuple[Hit, ...]
    notes: tuple[str, ...]
