"""A class: its rubric and roster, its scores, sheets and chart, what moved since."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path

from toeline.batch import Measured
from toeline.coupons import log
from toeline.coupons.agreement import Agreement, agreement, as_points, csv_of_marks, marks_of_scores
from toeline.coupons.agreement import read_marks as marks_in
from toeline.coupons.coupons import ClassScores, Coupon, said_later, score_class, to_csv, to_xlsx
from toeline.coupons.drills import grouped
from toeline.coupons.learner import HEADINGS, LearnerSheet, sheets_of
from toeline.coupons.learner import had_in_words as had
from toeline.coupons.learner import learner_sheet as sheet_of
from toeline.coupons.log import PutOnRecord
from toeline.coupons.progress import Progress, compare
from toeline.coupons.roster import EXAMPLE as ROSTER_EXAMPLE
from toeline.coupons.roster import Roster, coupon_of, name_from_file, read_roster
from toeline.coupons.rubric import Rubric, load_rubric, shipped_rubrics, with_marks
from toeline.coupons.rubric import read_rubric as rubric_of
from toeline.coupons.rubric import rubric_text as shipped_text
from toeline.coupons.score import ItemScore
from toeline.coupons.wall_chart import Paper as ChartPaper
from toeline.coupons.wall_chart import WallChart, chosen_photos, plan_chart, wall_chart
from toeline.record import Filters
from toeline.result import CauseId, GaugeReading, Result, Settings, Welding
from toeline.units import Unit
from toeline.validation.repeatability import Spread
from toeline.validation.repeatability import spreads as spreads_of
from toeline_app import jobs, serving
from toeline_app.service import recording
from toeline_app.service.workers import WORKERS


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


def roster_example() -> str:
    """A roster to start from."""
    return ROSTER_EXAMPLE


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


def had_in_words(rubric: Rubric, item: ItemScore, unit: Unit) -> str:
    """What a coupon has of what a rubric counts, as on its sheet."""
    return had(next(one for one in rubric.item if one.id == item.id), item.value, unit)


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
        photo: WORKERS.submit(jobs.draw, files[photo], results[photo].to_json(None), unit, False)
        for photo in chosen_photos(plan)
    }
    return wall_chart(scores, plan, {photo: job.result() for photo, job in jobs_of.items()}, paper=paper, unit=unit)


def since_last(scores: ClassScores) -> dict[str, tuple[str, Progress]]:
    """By photo, the day of each learner's last bead on record and what moved since; nothing for learners."""
    return log.since_last(recording.store(), scores) if serving.role() == "inspector" else {}


def since(coupon: Coupon, rubric: Rubric) -> tuple[str, Progress] | None:
    """The day of one learner's last bead on record and what moved since; nothing for learners."""
    return log.since(recording.store(), coupon, rubric) if serving.role() == "inspector" else None


def put_on_record(
    scores: ClassScores, files: Mapping[str, log.Read], class_name: str, date: datetime.date
) -> PutOnRecord:
    """Save each coupon under its learner's name. Raises RecordError."""
    serving.for_inspectors()
    return log.put_on_record(recording.store(), scores, files, class_name=class_name, date=date)


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
    found = recording.store().search("", Filters(welder=name), sort="date", descending=True, page=1, size=100)
    return [
        (
            one.id,
            f"{one.identity.date or one.created_at[:10]}, entry {one.number}"
            + (f", {one.identity.job}" if one.identity.job else ""),
        )
        for one in found.items
    ]


def spreads(named: list[tuple[str, Result]], *, one_coupon: bool) -> tuple[Spread, ...]:
    """The tool's own spread, over photos of one coupon or of several told apart by their names."""
    groups: dict[str, list[Result]] = {}
    for name, result in named:
        groups.setdefault("" if one_coupon else coupon_of(name_from_file(name)), []).append(result)
    return spreads_of(groups)
