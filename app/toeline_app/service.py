"""The one module of the app that has toeline measure, score, record and report; pages only show what it gives."""

from __future__ import annotations

import io
import logging
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st
from PIL import Image, ImageDraw

from toeline import __version__
from toeline.coupons import ClassScores, Measured, score_class, to_csv, to_xlsx
from toeline.criteria import list_criteria, load_criteria
from toeline.errors import ToelineError
from toeline.gauge import check_reading, gauges
from toeline.record import (
    CheckReport,
    Decision,
    Erasure,
    Filters,
    Identity,
    Inspection,
    NewDecision,
    Page,
    Store,
    TrendPoint,
    settings_digest,
)
from toeline.repeatability import Spread
from toeline.repeatability import spreads as spreads_of
from toeline.result import GaugeReading, Point, Result, Settings
from toeline.roster import Roster, coupon_of, name_from_file, read_roster
from toeline.rubric import Rubric, load_rubric, shipped_rubrics
from toeline.rubric import read_rubric as rubric_of
from toeline.rubric import rubric_text as shipped_text
from toeline.units import MM_PER_INCH, Unit
from toeline_app.measuring import Measuring
from toeline_app.uploads import Uploads, is_alive, start_sweeping

_LOG = logging.getLogger(__name__)
OVERVIEW_PX = 1200
THUMBNAIL_PX = 240
ROWS_A_PAGE = 20


@dataclass(frozen=True, slots=True)
class Examined:
    """A measured photo with its pictures as JPEG: the bead turned level, annotated, and the whole photo small."""

    result: Result
    picture: bytes
    overview: bytes
    code: int | None = None


def examine(
    path: Path, name: str, settings: Settings, known: Result | None = None, with_code: bool = False
) -> Examined:
    """Measure one photo, unless it is ``known``, and draw it; runs in a worker process.

    Raises ToelineError with a sentence for the user.
    """
    from toeline.photo import read_photo
    from toeline.picture import draw_overview, draw_picture, encode
    from toeline.pipeline import measure_with
    from toeline.roster import coupon_code

    photo = read_photo(path, name)
    result = known or measure_with(photo, settings)
    picture = encode(draw_picture(photo, result, unit=settings.unit))
    overview = encode(draw_overview(photo, result, width=OVERVIEW_PX))
    return Examined(result, picture, overview, coupon_code(photo.image) if with_code else None)


def warm_up() -> None:
    """Load what measuring needs, so that a worker's first photo is as quick as its second."""


_MEASURING = Measuring(warm_up)


def start_measuring() -> None:
    """Start the worker processes now, so that the first photo need not wait for them."""
    _MEASURING.start()


@st.cache_resource
def uploads() -> Uploads:
    """The photos of the running sessions."""
    kept = Uploads(is_alive)
    start_sweeping(kept)
    return kept


def submit(
    path: Path, name: str, settings: Settings, known: Result | None = None, with_code: bool = False
) -> Future[Examined]:
    """Put a photo in line to be measured and drawn, or only drawn where its result is ``known``."""
    return _MEASURING.submit(examine, path, name, settings, known, with_code)


def remembered(sha256: str, name: str, settings: Settings) -> Result | None:
    """A measurement of a batch that was made before with these settings."""
    found = store().measured(sha256, settings_digest(settings, __version__))
    return found and found.model_copy(update={"photo": found.photo.model_copy(update={"name": name})})


def remember(result: Result) -> None:
    """Keep a batch's measurement."""
    store().remember(result.photo.sha256, settings_digest(result.settings, __version__), result)


def sentence(error: BaseException) -> str:
    """What to tell the user about an error: toeline's own sentence, or that something unforeseen happened."""
    if isinstance(error, ToelineError):
        return str(error)
    frames = [line for line in str(error.__cause__).splitlines() if line.startswith("  File")]
    _LOG.error("measuring failed with %s\n%s", type(error).__name__, "\n".join(frames))  # its words may name a person
    return "Measuring stopped unexpectedly. Try again; if it happens again, try another photo."


@cache
def criteria_titles() -> dict[str, str]:
    """The shipped criteria sets: id to title, with the edition where two share a title."""
    found = list_criteria()
    titles = [one.title for one in found]
    return {
        one.id: one.title if titles.count(one.title) == 1 else f"{one.title}, {one.edition.split()[0]}" for one in found
    }


def to_photo_px(tap: Point, shown_width: float, photo_width: int) -> Point:
    """Where in the photo a tap on its overview fell, the overview being shown ``shown_width`` wide."""
    factor = photo_width / shown_width
    return ((tap[0] + 0.5) * factor - 0.5, (tap[1] + 0.5) * factor - 0.5)


def with_mark(overview: bytes, at: Point | None, photo_width: int) -> Image.Image:
    """The overview with a ring where the first end was tapped; ``at`` in photo px."""
    image = Image.open(io.BytesIO(overview)).convert("RGB")
    if at is not None:
        factor = image.width / photo_width
        x, y = ((at[0] + 0.5) * factor - 0.5, (at[1] + 0.5) * factor - 0.5)
        radius = image.width // 40
        for grow, colour in ((3, (255, 255, 255)), (0, (11, 92, 173))):
            box = (x - radius - grow, y - radius - grow, x + radius + grow, y + radius + grow)
            ImageDraw.Draw(image).ellipse(box, outline=colour, width=radius // 3 + grow)
    return image


def thumbnail(picture: bytes) -> bytes:
    """A small copy of a picture."""
    image = Image.open(io.BytesIO(picture))
    image.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=80)
    return out.getvalue()


# -- gauge readings and reports ----------------------------------------------------------------------------------


def numbered_indications(result: Result, unit: Unit) -> list[tuple[str, str, str]]:
    """The indications as numbered on the picture: number, kind, where and how large."""
    from toeline.picture import keyed_indications

    return [(str(one.number), one.title, one.detail) for one in keyed_indications(result, unit)]


def gauge_names(result: Result) -> dict[str, str]:
    """What can be gauged or stated to settle this result's lines: name to meaning."""
    if result.judgement is None:
        return {}
    known = gauges()
    wanted = [line.gauge for line in result.judgement.lines if line.gauge in known]
    return {str(name): known[str(name)].meaning for name in dict.fromkeys(wanted)}


def gauge_unit(name: str, unit: Unit) -> str:
    """The unit a reading of that name is typed in."""
    own = gauges()[name].unit
    return unit if own == "mm" else {"deg": "degrees", "1": "count"}[own]


def gauge_reading(name: str, value: float, at: float | None, unit: Unit) -> GaugeReading:
    """A reading typed in the user's unit, checked. Raises SettingsError."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    own = gauges()[name].unit
    typed = value * (factor if own == "mm" else 1.0)
    return check_reading(GaugeReading(name=name, value=typed, at=None if at is None else at * factor, unit=own))


def pdf(result: Result, picture: bytes, unit: Unit, inspection: Inspection | None = None) -> bytes:
    """The PDF report of a result, or of an inspection on record."""
    from toeline.report import pdf_report

    return pdf_report(result, picture, inspection=inspection, unit=unit)


def csv(result: Result, identity: Identity | None = None) -> bytes:
    """A result as CSV; no cell can be read as a formula."""
    from toeline.report import csv_rows, csv_text

    return csv_text(csv_rows(result, identity)).encode("utf-8-sig")


def html(result: Result, picture: bytes, unit: Unit, inspection: Inspection) -> bytes:
    """The one-page HTML report of an inspection on record."""
    from toeline.report import html_report

    return html_report(result, picture, inspection=inspection, unit=unit).encode()


# -- the class ----------------------------------------------------------------------------------------------------


def rubric_titles() -> dict[str, str]:
    """The shipped rubrics: id to title."""
    return {name: load_rubric(name).title for name in shipped_rubrics()}


def rubric_text(name: str) -> str:
    """A shipped rubric's text."""
    return shipped_text(name)


def read_rubric(text: str) -> Rubric:
    """The rubric in an edited text. Raises RubricError with the line."""
    return rubric_of(text)


def roster(data: bytes, name: str) -> Roster:
    """The roster in a CSV file. Raises RubricError with the line."""
    return read_roster(data, name)


def tag_sheets(of: Roster) -> bytes:
    """Tags to print for a roster's codes."""
    from toeline.coupon_sheets import tag_sheets as sheets_of

    return sheets_of(of)


def score_photos(
    measured: list[tuple[str, Result | None, str | None, int | None]],
    rubric: Rubric,
    reference: Result | None,
    names: Roster | None,
) -> ClassScores:
    """A class scored: photos as (name, result, problem, code). Raises RubricError."""
    return score_class([Measured(*one) for one in measured], rubric, reference=reference, roster=names)


def class_csv(scores: ClassScores) -> bytes:
    """The class list as CSV."""
    return to_csv(scores)


def class_xlsx(scores: ClassScores) -> bytes:
    """The class list as a workbook."""
    return to_xlsx(scores)


def sheets(scores: ClassScores, pictures: dict[str, bytes], unit: Unit) -> bytes:
    """The printable sheets of a class."""
    from toeline.coupon_sheets import coupon_sheets

    return coupon_sheets(scores, pictures, unit=unit)


def spreads(named: list[tuple[str, Result]], *, one_coupon: bool) -> tuple[Spread, ...]:
    """The tool's own spread, over photos of one coupon or of several told apart by their names."""
    groups: dict[str, list[Result]] = {}
    for name, result in named:
        groups.setdefault("" if one_coupon else coupon_of(name_from_file(name)), []).append(result)
    return spreads_of(groups)


# -- the record ---------------------------------------------------------------------------------------------------


@st.cache_resource
def store() -> Store:
    """The record, opened once for the whole app; each call on it is its own transaction."""
    return Store.open()


def save(result: Result, photo: bytes, identity: Identity, *, remarks: str, decision: NewDecision | None) -> Inspection:
    """Put an inspection on record. Raises RecordError."""
    return store().save_inspection(
        result, photo, identity, remarks=remarks or None, criteria=_criteria_text(result), decision=decision
    )


def supersede(
    old: str, result: Result, photo: bytes, identity: Identity, *, why: str, remarks: str, decision: NewDecision | None
) -> Inspection:
    """Put an inspection in the place of an earlier one. Raises RecordError."""
    return store().supersede(
        old,
        result,
        photo,
        identity,
        why=why,
        remarks=remarks or None,
        criteria=_criteria_text(result),
        decision=decision,
    )


def _criteria_text(result: Result) -> str | None:
    """The criteria set in full, as it stood when the result was judged by it."""
    if result.judgement is None or result.settings.criteria is None:
        return None
    return load_criteria(result.settings.criteria).model_dump_json(indent=1)


def decide(inspection: str, decision: NewDecision) -> Decision:
    """Record a decision on an inspection. Raises RecordError."""
    return store().decide(inspection, decision)


def inspection(wanted: str) -> Inspection:
    """An inspection on record. Raises RecordError where there is none."""
    return store().get(wanted)


def search(text: str, filters: Filters, *, sort: str, descending: bool, page: int) -> Page:
    """One page of the inspections that match."""
    return store().search(text, filters, sort=sort, descending=descending, page=page, size=ROWS_A_PAGE)


def people_and_procedures(field: str) -> tuple[str, ...]:
    """The values in use of an identity's field."""
    return store().values(field)


def trend(measure: str, welder: str | None, procedure: str | None) -> tuple[TrendPoint, ...]:
    """One measure over time."""
    return store().trend(measure, welder=welder, procedure=procedure)


def check_record() -> CheckReport:
    """Go through the whole chain, every row and every photo."""
    return store().check()


def export_person(name: str) -> dict[str, Any]:
    """Everything on record that names a person."""
    return store().export_person(name)


def erase_person(name: str) -> Erasure:
    """Erase a person's name wherever it stands."""
    return store().erase_person(name)


@st.cache_data(max_entries=40, show_spinner="Drawing the picture")
def recorded_picture(sha256: str, result_json: str, unit: Unit) -> bytes:
    """The annotated picture of a photo on record."""
    return _MEASURING.submit(_draw, store().photo(sha256), result_json, unit).result()


def _draw(photo: bytes, result_json: str, unit: Unit) -> bytes:
    from toeline.photo import read_photo
    from toeline.picture import draw_picture, encode

    return encode(draw_picture(read_photo(photo), Result.model_validate_json(result_json), unit=unit))


# -- the cards ----------------------------------------------------------------------------------------------------

#: What can be printed: key, label, file name.
CARDS = {
    "A": ("Card A, for the plate with the bead", "card-a.pdf"),
    "B": ("Card B, for the second plate of a fillet", "card-b.pdf"),
    "fold": ("Both cards on one sheet folded at 90 degrees", "card-folding.pdf"),
}


def card_pdf(name: str, paper: str) -> bytes:
    """A reference card as PDF."""
    from toeline.card_print import card_pdf as printed

    return printed(name, paper)
