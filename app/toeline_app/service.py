"""The one module of the app that has toeline measure, score, record and report; pages only show what it gives."""

from __future__ import annotations

import atexit
import datetime
import io
import logging
import os
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from datetime import date
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st
from PIL import Image, ImageDraw

from toeline import __version__
from toeline.batch import KeptMeasurements, Measured, settings_digest
from toeline.causes.chart import Sign, chart
from toeline.causes.electrodes import electrode_class
from toeline.causes.position import position_names as names_of_positions
from toeline.causes.position import read_position
from toeline.causes.procedure import allowances as allowances_of
from toeline.causes.procedure import procedure_from, read_procedure
from toeline.coupons import log
from toeline.coupons.agreement import Agreement, agreement, as_points, csv_of_marks, marks_of_scores
from toeline.coupons.agreement import read_marks as marks_in
from toeline.coupons.coupons import ClassScores, Coupon, said_later, score_class, to_csv, to_xlsx
from toeline.coupons.drills import grouped
from toeline.coupons.learner import HEADINGS, LearnerSheet, sheets_of
from toeline.coupons.learner import learner_sheet as sheet_of
from toeline.coupons.log import PutOnRecord
from toeline.coupons.progress import Progress, compare
from toeline.coupons.roster import Roster, coupon_of, name_from_file, read_roster
from toeline.coupons.rubric import Rubric, load_rubric, shipped_rubrics, with_marks
from toeline.coupons.rubric import read_rubric as rubric_of
from toeline.coupons.rubric import rubric_text as shipped_text
from toeline.coupons.wall_chart import Paper as ChartPaper
from toeline.coupons.wall_chart import WallChart, chosen_photos, plan_chart, wall_chart
from toeline.criteria import list_criteria, load_criteria
from toeline.datafile import text_of
from toeline.errors import SettingsError, ToelineError, told
from toeline.evidence.evidence import middle
from toeline.evidence.gauge import Gauge, check_reading, gauges, in_words
from toeline.evidence.needs import spoken
from toeline.pipeline import judge_again
from toeline.processes.workers import Workers
from toeline.record import (
    CheckReport,
    Decision,
    Erasure,
    Filters,
    Hit,
    Identity,
    Inspection,
    Kept,
    NewDecision,
    NewTest,
    Page,
    Receipt,
    Store,
    TrendPoint,
    Weld,
)
from toeline.report.fillet_sketch import draw_cross_section
from toeline.result import CauseId, GaugeReading, Joint, Point, Procedure, Result, Settings, Welding
from toeline.text import capital
from toeline.units import MM_PER_INCH, Unit, length
from toeline.validation.repeatability import Spread
from toeline.validation.repeatability import spreads as spreads_of
from toeline_app import jobs, serving
from toeline_app.drafts import CLASS_KEPT_FOR_S, KEPT_FOR_S, Drafts, kept_under
from toeline_app.uploads import Uploads, is_alive, start_sweeping, waiting_by_session

if TYPE_CHECKING:
    from toeline.photogrammetry import SidesSeen
    from toeline.report.relief_map import Cut

_LOG = logging.getLogger(__name__)
THUMBNAIL_PX = 240
FURTHER_PX = 900
ROWS_A_PAGE = 20
#: As many photos at once as there are cores; everyone else waits in line.
_WORKERS = Workers(min(4, os.cpu_count() or 1), jobs.warm_up)
#: Several photos of one bead hold more, and take longer: whoever sends one photo waits behind none of them.
MOST_SIDES = 8
_OF_SEVERAL = Workers(min(2, os.cpu_count() or 1), jobs.warm_up, at_once=1 + MOST_SIDES)


def start_measuring() -> None:
    """Start the worker processes now, so that the first photo need not wait for them."""
    _WORKERS.start()


@st.cache_resource
def uploads() -> Uploads:
    """The photos of the running sessions."""
    kept = Uploads(is_alive, waiting=waiting_by_session)
    start_sweeping(kept.sweep, drafts().sweep, classes().sweep)
    return kept


@st.cache_resource
def drafts() -> Drafts:
    """The visitors' drafts."""
    return _kept("drafts", KEPT_FOR_S)


@st.cache_resource
def classes() -> Drafts:
    """The classes that were put under an address."""
    return _kept("classes", CLASS_KEPT_FOR_S, promised=True)


def _kept(name: str, kept_for_s: float, *, promised: bool = False) -> Drafts:
    """What is kept for a time; where the state folder cannot be written it lasts as long as the app does."""
    try:
        return Drafts(kept_under(name), kept_for_s=kept_for_s, promised=promised)
    except OSError:
        folder = tempfile.TemporaryDirectory(prefix=f"toeline-{name}-")
        atexit.register(folder.cleanup)
        return Drafts(Path(folder.name), kept_for_s=kept_for_s, promised=promised)


def submit(
    path: Path,
    name: str,
    settings: Settings,
    known: Result | None = None,
    with_code: bool = False,
    sides: Sequence[jobs.Named] = (),
) -> Future[jobs.Examined]:
    """Put a photo in line to be measured with those from its sides and drawn, or only drawn where its result is
    ``known``."""
    workers = _OF_SEVERAL if sides else _WORKERS
    return workers.submit(jobs.examine, path, name, settings, known, with_code, sides)


def sides_of(face: Result, photos: Sequence[jobs.Named]) -> Future[SidesSeen]:
    """From which sides photos were taken whose first is the photo that ``face`` was measured in."""
    return _OF_SEVERAL.submit(jobs.look_at_sides, face, photos)


def judged_again(result: Result, settings: Settings) -> Result | None:
    """A measured photo judged anew by other settings; None where it has to be measured anew. Raises ToelineError."""
    return judge_again(result, settings)


#: What batches measured, kept beside the record.
_KEPT = KeptMeasurements()


def remembered(sha256: str, name: str, settings: Settings) -> Result | None:
    """A measurement of a batch that was made before with these settings."""
    with suppress(SettingsError):  # what is kept spares time, and no more
        found = _KEPT.measured(sha256, settings_digest(settings, __version__))
        return found and found.model_copy(update={"photo": found.photo.model_copy(update={"name": name})})
    return None


def remember(result: Result) -> None:
    """Keep a batch's measurement, where there is room."""
    with suppress(SettingsError):
        _KEPT.remember(result.photo.sha256, settings_digest(result.settings, __version__), result)


def abandon(job: Future[jobs.Examined]) -> None:
    """End a photo's job that nobody waits for any more."""
    for workers in (_WORKERS, _OF_SEVERAL):
        workers.abandon(job)


def sentence(error: BaseException) -> str:
    """What to tell the user about an error: toeline's own sentence, or that something unforeseen happened."""
    if isinstance(error, ToelineError):
        return told(error, "This photo")
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
    return jobs.thumbnail(picture, THUMBNAIL_PX)


# -- gauge readings and reports ----------------------------------------------------------------------------------


def numbered_indications(result: Result, unit: Unit) -> list[tuple[str, str, str]]:
    """The indications as numbered on the picture: number, kind, where and how large."""
    from toeline.report.key import keyed_indications

    return [
        (one.label, one.title, f"{one.detail}; look there" if one.perhaps else one.detail)
        for one in keyed_indications(result, unit)
    ]


def same_picture(one: Result, other: Result) -> bool:
    """Whether two results of one measurement are drawn alike: what a person saw takes a question mark away."""
    unit = one.settings.unit
    return numbered_indications(one, unit) == numbered_indications(other, unit)


def knows_rod(text: str) -> bool:
    """Whether a rod's designation is known here with its current ranges."""
    return electrode_class(text) is not None


def position_names(joint: Joint) -> tuple[str, ...]:
    """The words and names of the positions of this joint."""
    return names_of_positions(joint)


def position_angles(name: str | None, joint: Joint) -> tuple[float | None, float | None]:
    """Slope and rotation of a position's name; none of a name that this joint does not have."""
    return read_position(name, joint) if name in names_of_positions(joint) else (None, None)


def noticed_signs(joint: Joint) -> dict[str, Sign]:
    """What can have been noticed while this joint was welded, by id: what is asked, and what its states say."""
    return chart().noticed(joint)


def needs(result: Result) -> list[str]:
    """What would settle the judgement, in plain words."""
    return [spoken(need) for need in result.judgement.needs] if result.judgement else []


def gauge_names(result: Result) -> dict[str, str]:
    """What can be gauged for the lines that judge this result, what settles one of them first: name to meaning."""
    if result.judgement is None or result.settings.criteria is None:
        return {}
    known = gauges()
    wanted = [str(line.gauge) for line in result.judgement.lines if line.gauge]
    lines = load_criteria(result.settings.criteria).lines
    taken = [name for line in lines if result.settings.joint in line.joints for name in sorted(line.kind.readings)]
    names = [*wanted, *taken, "weld_length"]
    return {name: known[name].meaning for name in dict.fromkeys(names) if not known[name].statement}


def conditions(result: Result) -> dict[str, str]:
    """What the criteria ask about a weld of this joint: name to what it says."""
    if result.settings.criteria is None:
        return {}
    criteria = load_criteria(result.settings.criteria)
    asked = {
        line.only_if.removeprefix("not ")
        for line in criteria.lines
        if line.only_if and result.settings.joint in line.joints
    }
    return {name: text for name, text in criteria.conditions.items() if name in asked}


def look(name: str) -> Gauge:
    """What is asked of a person who looks."""
    return gauges()[name]


def looks_asked(result: Result) -> tuple[str, ...]:
    """The looks that would settle a line of this result."""
    if result.judgement is None:
        return ()
    wanted = [str(line.gauge) for line in result.judgement.lines if line.gauge]
    return tuple(name for name in dict.fromkeys(wanted) if gauges()[name].question)


#: What comes in such numbers that no person goes to each.
_CROWDED = ("spatter",)


def places(result: Result, name: str) -> list[float]:
    """Where along the seam the photo may show what is looked for, mm."""
    seen = [one for one in result.indications if one.kind == gauges()[name].sees and name not in _CROWDED]
    return sorted(at for at in map(middle, seen) if at is not None)


def suspected(result: Result, name: str, unit: Unit) -> list[str]:
    """Where the photo may show what is looked for."""
    return [length(at, unit) for at in places(result, name)]


def looked(result: Result, name: str, value: float, at: float | None, by: str, unit: Unit) -> tuple[GaugeReading, ...]:
    """An answered look: ``at`` one place in the user's unit, else for the whole weld; a no for suspected places too."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    spots: list[float | None] = [None if at is None else at * factor]
    if value == 0 and at is None:
        spots += places(result, name)
    return tuple(GaugeReading(name=name, value=value, at=place, unit="1", by=by, U=0.0) for place in spots)


def gauge_rows(result: Result, unit: Unit) -> list[tuple[str, str]]:
    """What was gauged and seen: what, the reading and where, and who it was."""
    return [gauge_row(one, unit) for one in result.settings.gauge]


def gauge_row(one: GaugeReading, unit: Unit) -> tuple[str, str]:
    """What was gauged or seen, the reading and where, and who it was."""
    known = gauges()
    what = known[one.name].question or known[one.name].meaning if one.name in known else one.name.replace("_", " ")
    where = "" if one.at is None else f", {length(one.at, unit)} from the start"
    by = f", by {one.by}" if one.by else ""
    return capital(what), in_words(one, unit) + where + by


def gauge_unit(name: str, unit: Unit) -> str:
    """The unit a reading of that name is typed in."""
    own = gauges()[name].unit
    return unit if own == "mm" else {"deg": "degrees", "1": "count"}[own]


def gauge_reading(name: str, value: float, at: float | None, unit: Unit, by: str | None = None) -> GaugeReading:
    """A reading typed in the user's unit, checked. Raises SettingsError."""
    factor = MM_PER_INCH if unit == "in" else 1.0
    own = gauges()[name].unit
    typed = value * (factor if own == "mm" else 1.0)
    place = None if at is None else at * factor
    return check_reading(GaugeReading(name=name, value=typed, at=place, unit=own, by=by))


def pdf(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None = None) -> bytes:
    """The PDF report of a result, or of an inspection on record, its picture drawn from the original photo."""
    return _WORKERS.submit(jobs.pdf, result, photo, unit, inspection).result()


def csv(result: Result, identity: Identity | None = None) -> bytes:
    """A result as CSV; no cell can be read as a formula."""
    from toeline.report import csv_rows, csv_text

    return csv_text(csv_rows(result, identity)).encode("utf-8-sig")


def html(result: Result, photo: Path | bytes, unit: Unit, inspection: Inspection | None = None) -> bytes:
    """The one-page HTML report of a result, or of an inspection on record."""
    return _WORKERS.submit(jobs.html, result, photo, unit, inspection).result()


def fewest_for_depth() -> int:
    """How many photos the depth of undercut takes."""
    from toeline.photogrammetry import fewest_for_depth as fewest

    return fewest()


def relief_cuts(result: Result, unit: Unit) -> tuple[Cut, ...]:
    """The cross-sections worth showing, that at a place somebody chose last."""
    from toeline.report.relief_map import cuts

    return cuts(result, unit)


def height_map(result: Result, unit: Unit, shown: Sequence[Cut], wide: float) -> str | None:
    """The surface as SVG, ``wide`` px, or None where there is none."""
    from toeline.report.relief_map import draw_height_map

    return draw_height_map(result, unit, shown, wide)


def relief_section(result: Result, cut: Cut, unit: Unit, wide: float) -> tuple[str, str | None]:
    """A cross-section's title and its drawing as SVG, ``wide`` px."""
    from toeline.report.relief_map import draw_section, title_of_cut

    return title_of_cut(cut, unit), draw_section(result, cut, wide)


def relief_profile(result: Result, unit: Unit, wide: float) -> str | None:
    """Height of the face, depth along both toes and width over the seam as SVG, ``wide`` px."""
    from toeline.report.relief_profile import draw_relief_profile

    return draw_relief_profile(result, unit, wide)


def cross_section(result: Result, unit: Unit) -> str | None:
    """A fillet's cross-section as SVG, its words escaped; None where a leg is not known."""
    return draw_cross_section(result, unit)


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


def rubric_with_marks(text: str, pass_share: float, weights: Mapping[str, float]) -> str:
    """A rubric's text with another pass mark and other weights. Raises RubricError."""
    return with_marks(text, pass_share, weights)


def measured_by(settings: Settings) -> Settings:
    """Of the settings what a photo is measured by: the rest can be said afterwards."""
    return settings.model_copy(update={"criteria": None, "gauge": (), "welding": Welding(), "procedure": None})


def said_of(result: Result | None, settings: Settings, looks: Sequence[GaugeReading]) -> Result | None:
    """A measured photo judged and coached by all the settings, and by what was looked for. Raises ToelineError."""
    if result is None:
        return None
    return said_later(result, settings.model_copy(update={"gauge": (*settings.gauge, *looks)}))


def roster(data: bytes, name: str) -> Roster:
    """The roster in a CSV file. Raises RubricError with the line."""
    return read_roster(data, name)


def tag_sheets(of: Roster) -> bytes:
    """Tags to print for a roster's codes."""
    from toeline.coupons.sheets import tag_sheets as sheets_of

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


def learner_sheet(coupon: Coupon, rubric: Rubric, unit: Unit) -> LearnerSheet:
    """What one learner reads of a coupon."""
    return sheet_of(coupon, rubric, unit)


def heading(change_is: str) -> str:
    """What the one thing on a sheet is headed by."""
    return HEADINGS[change_is]


def next_session(scores: ClassScores, unit: Unit) -> list[tuple[str, str, str]]:
    """Who does which drill: its title, the names, what to weld."""
    plan = grouped((sheet.name, sheet.drill) for sheet in sheets_of(scores, unit))
    again = "Take the photo again"
    told = "Each sheet says what is wrong with the photo."
    rows = [(one.title if one else again, ", ".join(who), one.general(unit) if one else told) for one, who in plan]
    return [*rows, *([("No photo yet", ", ".join(scores.absent), "Photograph the coupon.")] if scores.absent else [])]


def class_json(scores: ClassScores, unit: Unit) -> str:
    """The class as JSON."""
    from toeline.coupons.document import class_json as written

    return written(scores, unit)


def sheets(scores: ClassScores, pictures: dict[str, bytes], unit: Unit) -> bytes:
    """The printable sheets of a class; with what moved since each learner's last bead, for who may see the record."""
    from toeline.coupons.sheets import coupon_sheets

    return coupon_sheets(scores, pictures, since=since_last(scores), unit=unit)


def agreements(marks: Mapping[str, Mapping[str, str]]) -> tuple[Agreement, ...]:
    """How every two raters agree, by marks of rater and coupon. Raises RubricError."""
    return tuple(agreement(marks[one], marks[two], (one, two)) for one, two in combinations(marks, 2))


def read_marks(data: bytes, name: str) -> dict[str, dict[str, str]]:
    """Marks by rater and coupon from CSV. Raises RubricError."""
    return marks_in(data, name)


def marks_csv(marks: Mapping[str, Mapping[str, str]]) -> bytes:
    """The marks as CSV, as they are read again."""
    return csv_of_marks(marks)


def marks_of(scores: ClassScores, *, points: bool) -> dict[str, str]:
    """toeline's own marks of a class: outcomes that are decided, or points."""
    return marks_of_scores(scores, points=points)


def number(mark: str | None) -> float | None:
    """A mark as points, where it is a number."""
    return None if mark is None else as_points(mark)


def chart_plan(scores: ClassScores, picks: Mapping[CauseId, str | None]) -> WallChart:
    """Which beads a wall chart shows. Raises RubricError."""
    return plan_chart(scores, picks)


def chart_pdf(scores: ClassScores, plan: WallChart, files: Mapping[str, Path], paper: ChartPaper, unit: Unit) -> bytes:
    """A wall chart of a class's own beads, without names; ``files`` are the photos by name."""
    results = {one.photo: one.result for one in scores.coupons if one.result}
    jobs_of = {
        photo: _WORKERS.submit(jobs.draw, files[photo], results[photo].to_json(None), unit, False)
        for photo in chosen_photos(plan)
    }
    return wall_chart(scores, plan, {photo: job.result() for photo, job in jobs_of.items()}, paper=paper, unit=unit)


def since_last(scores: ClassScores) -> dict[str, tuple[str, Progress]]:
    """By photo, the day of each learner's last bead on record and what moved since; nothing for learners."""
    return log.since_last(store(), scores) if serving.role() == "inspector" else {}


def since(coupon: Coupon, rubric: Rubric) -> tuple[str, Progress] | None:
    """The day of one learner's last bead on record and what moved since; nothing for learners."""
    return log.since(store(), coupon, rubric) if serving.role() == "inspector" else None


def put_on_record(
    scores: ClassScores, files: Mapping[str, log.Read], class_name: str, date: datetime.date
) -> PutOnRecord:
    """Save each coupon under its learner's name. Raises RecordError."""
    serving.for_inspectors()
    return log.put_on_record(store(), scores, files, class_name=class_name, date=date)


def progress(before: Result, after: Result, rubric: Rubric) -> Progress:
    """What moved from one bead to the next, and the last advice."""
    return compare(before, after, rubric)


def progress_json(found: Progress) -> str:
    """Before and after as JSON."""
    from toeline.coupons.document import progress_json as written

    return written(found)


def progress_sheet(
    name: str, found: Progress, beads: tuple[tuple[str, Result, bytes | None], ...], unit: Unit
) -> bytes:
    """Before and after on one page; beads as (when, result, picture)."""
    from toeline.coupons.sheets import Bead
    from toeline.coupons.sheets import progress_sheet as sheet

    return sheet(name, found, (Bead(*beads[0]), Bead(*beads[1])), unit=unit)


def beads_of(name: str) -> list[tuple[str, str]]:
    """A learner's inspections, the newest first: id, and a title with its day."""
    serving.for_inspectors()
    return [
        (
            one.id,
            f"{one.identity.date or one.created_at[:10]}, entry {one.number}"
            + (f", {one.identity.job}" if one.identity.job else ""),
        )
        for one in store().search("", Filters(welder=name), sort="date", descending=True, page=1, size=100).items
    ]


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


def save(
    result: Result,
    photo: bytes,
    identity: Identity,
    *,
    more_photos: Sequence[tuple[str, bytes]] = (),
    remarks: str,
    decision: NewDecision | None,
) -> Inspection:
    """Put an inspection on record. Raises RecordError."""
    if decision is not None:
        serving.for_inspectors()
    return store().save_inspection(
        result,
        photo,
        identity,
        more_photos=more_photos,
        remarks=remarks or None,
        criteria=_criteria_text(result),
        decision=decision,
    )


def supersede(
    old: Inspection,
    result: Result,
    photo: bytes,
    identity: Identity,
    *,
    why: str,
    more_photos: Sequence[tuple[str, bytes]] = (),
    remarks: str,
    decision: NewDecision | None,
) -> Inspection:
    """Put an inspection in the place of an earlier one. Raises RecordError.

    Where the result is the earlier one's, the criteria stay those that it was judged by.
    """
    serving.for_inspectors()
    same = result == old.result
    return store().supersede(
        old.id,
        result,
        photo,
        identity,
        why=why,
        more_photos=more_photos,
        remarks=remarks or None,
        criteria=old.criteria if same else _criteria_text(result),
        decision=decision,
    )


def recorded_photo(sha256: str) -> bytes:
    """The original bytes of a photo on record. Raises RecordError where it is missing or damaged."""
    return store().photo(sha256)


def small_copy(photo: bytes, name: str) -> bytes:
    """A further photo, decoded within the limits, as a small JPEG. Raises PhotoError where it is none."""
    return _WORKERS.submit(jobs.small_copy, photo, name, FURTHER_PX).result()


@st.cache_data(max_entries=40, show_spinner=False)
def recorded_small_copy(sha256: str) -> bytes:
    """A further photo on record as a small JPEG."""
    return small_copy(store().photo(sha256), "The photo")


def _criteria_text(result: Result) -> str | None:
    """The criteria set in full, as it stood when the result was judged by it."""
    if result.judgement is None or result.settings.criteria is None:
        return None
    return load_criteria(result.settings.criteria).model_dump_json(indent=1)


def decide(inspection: str, decision: NewDecision) -> Decision:
    """Record a decision on an inspection. Raises RecordError."""
    serving.for_inspectors()
    return store().decide(inspection, decision)


def inspection(wanted: str) -> Inspection:
    """An inspection on record. Raises RecordError where there is none."""
    serving.for_inspectors()
    return store().get(wanted)


def weld(inspection: str) -> Weld:
    """All that is on record about the weld that an inspection is of."""
    serving.for_inspectors()
    return store().weld(inspection)


def weld_pdf(weld: Weld, unit: Unit) -> bytes:
    """The PDF report of a whole weld, of the inspections that hold."""
    whole = [inspection(one.id) for one in weld.holding]
    of_tests = {one.sha256: recorded_photo(one.sha256) for test in weld.tests for one in test.photos}
    return _WORKERS.submit(
        jobs.weld_pdf, weld, [(one, recorded_photo(one.photos[0].sha256)) for one in whole], of_tests, unit
    ).result()


def add_test(
    inspection: str, test: NewTest, photos: Sequence[tuple[str, bytes]], *, supersedes: str | None, why: str | None
) -> None:
    """Add a later test's result to a weld, perhaps in the place of a wrong one. Raises RecordError, PhotoError."""
    serving.for_inspectors()
    for name, data in photos:
        small_copy(data, name)  # is it a photo at all
    store().add_test(inspection, test, photos=photos, supersedes=supersedes, why=why)


def undone_by_superseding(inspection: str) -> tuple[str, ...]:
    """What else correcting an inspection undoes, in sentences."""
    serving.for_inspectors()
    return store().undone_by_superseding(inspection)


def continuity(on: date, welder: str | None) -> tuple[Kept, ...]:
    """What each welder, or one, keeps up by a day."""
    serving.for_inspectors()
    return store().continuity(on, welder=welder)


def procedures() -> tuple[Procedure, ...]:
    """The welding procedures on record that hold."""
    return store().procedures()


def procedure_names() -> tuple[str, ...]:
    """The names of the welding procedures on record; none where the record cannot be read."""
    try:
        return tuple(one.name for one in procedures())
    except ToelineError:
        return ()


def procedure_named(name: str | None) -> Procedure | None:
    """The welding procedure on record of that name, or None."""
    if name is None or name not in procedure_names():
        return None
    return next(one for one in procedures() if one.name == name)


def allowances(procedure: Procedure, unit: Unit) -> list[tuple[str, list[tuple[str, str]]]]:
    """What a procedure allows: for which passes, and each variable with its words."""
    return allowances_of(procedure, unit)


def procedure_example() -> str:
    """A procedure's file to start from."""
    return text_of("procedures/example.toml")


def typed_procedure(said: dict[str, str], unit: Unit) -> Procedure:
    """The procedure typed into a form. Raises SettingsError."""
    return procedure_from(said, unit)


def keep_procedure(told: str | Procedure) -> str:
    """Put a procedure, or the one in a file's text, on record; gives its name. Raises SettingsError or RecordError."""
    serving.for_inspectors()
    procedure = read_procedure(told) if isinstance(told, str) else told
    store().keep_procedure(procedure)
    return procedure.name


@st.cache_data(max_entries=200, show_spinner=False)
def recorded_thumbnail(sha256: str) -> bytes:
    """A photo on record as a very small JPEG."""
    return thumbnail(recorded_small_copy(sha256))


def search(text: str, filters: Filters, *, sort: str, descending: bool, page: int) -> Page:
    """One page of the inspections that match."""
    serving.for_inspectors()
    return store().search(text, filters, sort=sort, descending=descending, page=page, size=ROWS_A_PAGE)


def people_and_procedures(field: str) -> tuple[str, ...]:
    """The values in use of an identity's field."""
    serving.for_inspectors()
    return store().values(field)


def trend(measure: str, welder: str | None, procedure: str | None) -> tuple[TrendPoint, ...]:
    """One measure over time."""
    serving.for_inspectors()
    return store().trend(measure, welder=welder, procedure=procedure)


def check_record(kept: str) -> CheckReport:
    """Go through the whole chain, every row and every photo. ``kept``: a head or a receipt from elsewhere, or blank.

    Raises RecordError where it is neither.
    """
    serving.for_inspectors()
    one = kept.strip()
    if not one:
        return store().check()
    return store().check(one) if len(one.split()) == 1 else store().check(receipt=Receipt.read(kept))


def find_person(name: str) -> tuple[Hit, ...]:
    """Every place on record that names a person. Raises RecordError where nothing does."""
    serving.for_inspectors()
    return store().find_person(name)


def receipt() -> str:
    """A receipt of how far the record has come, to be kept away from it."""
    return store().receipt().text()


def export_person(name: str) -> dict[str, Any]:
    """Everything on record that names a person."""
    serving.for_inspectors()
    return store().export_person(name)


def erase_person(name: str) -> Erasure:
    """Erase a person's name wherever it stands on record. Raises RecordError."""
    serving.for_inspectors()
    return store().erase_person(name)


def kept_for_a_time(name: str) -> int:
    """How many drafts and classes under an address name a person."""
    serving.for_inspectors()
    return sum(len(kept.naming(name)) for kept in (drafts(), classes()))


def forget_kept_for_a_time(name: str) -> int:
    """Let go of the drafts and classes that name a person; says how many those were."""
    serving.for_inspectors()
    return sum(kept.forget_who_is_named(name) for kept in (drafts(), classes()))


@st.cache_data(max_entries=40, show_spinner="Drawing the picture")
def recorded_picture(sha256: str, result_json: str, unit: Unit) -> bytes:
    """The annotated picture of a photo on record."""
    return _WORKERS.submit(jobs.draw, store().photo(sha256), result_json, unit).result()


# -- the cards ----------------------------------------------------------------------------------------------------

#: What can be printed: key, label, file name.
CARDS = {
    "A": ("Card A, for the plate with the bead", "card-a.pdf"),
    "B": ("Card B, for the second plate of a fillet", "card-b.pdf"),
    "fold": ("Both cards on one sheet folded at 90 degrees", "card-folding.pdf"),
}


def card_pdf(name: str, paper: str) -> bytes:
    """A reference card as PDF."""
    from toeline.geometry.card_print import card_pdf as printed

    return printed(name, paper)
