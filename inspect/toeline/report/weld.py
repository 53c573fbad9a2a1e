"""The report of a whole weld: a page that sums it up, then each inspection of its passes and sides as it stands."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from toeline.errors import ReportError
from toeline.names import DECIDED, TESTS
from toeline.photo import Photo, read_photo
from toeline.processes.workers import allow_time_for
from toeline.report.content import part_words, report_content, test_rows
from toeline.report.pdf import Sheet, drawn, lay_out
from toeline.report.picture import small_picture
from toeline.report.typeset import Paper
from toeline.text import capital
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.record import Inspection, Summary, Weld

_NOTE = (
    "No outcome is given for the weld as a whole: each inspection says what it saw, and a qualified inspector decides "
    "on the weld under the code that governs the work."
)


def weld_report(
    weld: Weld,
    inspections: Iterable[tuple[Inspection, Photo | bytes | None]],
    *,
    test_photos: Iterable[tuple[str, Photo]] = (),
    paper: Paper = "a4",
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> bytes:
    """The PDF of a weld with the ``inspections`` of it that hold, each with its measured photo or a picture drawn.

    ``test_photos`` are the photos of later tests as (digest, photo); one that is not given is left out. One photo is
    held at a time, where they come one by one. Raises ``ReportError`` where there is no inspection.
    """
    made_at = made_at or datetime.now(UTC)
    sheets = [
        Sheet(
            report_content(one.result, inspection=one, unit=unit, made_at=made_at),
            one.result,
            drawn(one.result, photo, unit),
        )
        for one, photo in inspections
    ]
    if not sheets:
        raise ReportError("There is no inspection of this weld to report.")
    title = f"Weld {weld.weld}" if weld.weld else "Weld without a number"
    small = {sha256: small_picture(photo) for sha256, photo in test_photos}
    pictures = [
        (f"{capital(TESTS[one.kind])}, entry {one.number}", small[photo.sha256])
        for one in weld.tests
        for photo in one.photos
        if photo.sha256 in small
    ]
    front = _front(weld, title)
    return lay_out(f"{title} · report", sheets, paper=paper, made_at=made_at, front=front, front_pictures=pictures)


def weld_pdf(
    weld: Weld,
    inspections: Iterable[tuple[Inspection, bytes]],
    test_photos: Iterable[tuple[str, bytes]],
    unit: Unit = "mm",
) -> bytes:
    """:func:`weld_report` of photos as they are on record: a job for a process that may die of a damaged one.

    Raises as :func:`weld_report`, and PhotoError where a photo cannot be read.
    """

    def measured() -> Iterator[tuple[Inspection, Photo]]:
        for one, data in inspections:
            photo = read_photo(data, one.result.photo.name)
            allow_time_for(photo.width * photo.height / 1e6)
            yield one, photo

    def of_tests() -> Iterator[tuple[str, Photo]]:
        for sha256, data in test_photos:
            yield sha256, read_photo(data)

    return weld_report(weld, measured(), test_photos=of_tests(), unit=unit)


def _front(weld: Weld, title: str) -> dict[str, object]:
    head = ", ".join(
        filter(None, (title, f"drawing {weld.drawing}" if weld.drawing else "", weld.job and f"job {weld.job}"))
    )
    return {
        "title": title,
        "head": head,
        "warnings": [
            f"A later test did not pass: {TESTS[one.kind]}{f' of {one.date}' if one.date else ''}."
            for one in weld.failed_tests
        ],
        "identity": [
            ("Job", weld.job or "–"),
            ("Part", weld.part or "–"),
            ("Drawing", weld.drawing or "–"),
            ("Weld", weld.weld or "–"),
        ],
        "inspections": [_row(one) for one in weld.inspections],
        "note": _NOTE,
        "tests": test_rows(weld.tests),
    }


def _row(one: Summary) -> tuple[str, ...]:
    date = one.identity.date.isoformat() if one.identity.date else one.created_at[:10]
    decision = "superseded" if one.superseded else DECIDED[one.decision]
    return (
        str(one.number),
        capital(part_words(one.identity)),
        one.outcome or "not judged",
        decision,
        date,
        "; ".join(filter(None, (one.criteria or "–", *one.beside))),
    )
