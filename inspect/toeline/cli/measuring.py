"""``toeline measure``: photos in, results out; several at once on all cores."""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import typer

from toeline.errors import ToelineError
from toeline.result import Result, Settings

OK, JUDGED_FAIL, PHOTO_UNUSABLE = 0, 1, 3
#: A bug of ours, told apart from any answer (sysexits.h, EX_SOFTWARE).
BUG = 70
#: The report's name of a paper.
_PAPERS: dict[str, Literal["a4", "us-letter"]] = {"a4": "a4", "letter": "us-letter"}
_PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to measure: its name, its bytes where they came from standard input, and where its outputs go."""

    name: str
    data: bytes | None
    settings: Settings
    json_file: Path | None
    picture: Path | None
    report: Path | None
    paper: Literal["a4", "us-letter"]


@dataclass(frozen=True, slots=True)
class Done:
    """One photo measured, or why not; ``bug`` where that is a fault of ours."""

    name: str
    result: Result | None = None
    error: str | None = None
    bug: bool = False
    written: tuple[Path, ...] = ()


_GAUGE_HELP = (
    "A gauge reading: NAME=VALUE or NAME=VALUE@PLACE along the seam, such as undercut_depth=0.4@37; with the gauge's "
    "own uncertainty (k = 2) undercut_depth=0.4±0.1@37 or 0.4+-0.1@37. Names: toeline criteria --gauges."
)
_POSITION_HELP = (
    'Welding position: a word, such as "vertical up"; a name, such as 2G, "3F up" or PB; or the slope of the weld axis '
    "(uphill above 0) and how far the face is turned from looking straight up, in degrees: 10,20 is flat, "
    "0,180 overhead."
)


def measure(
    photos: Annotated[list[str], typer.Argument(help="Photos to measure; - reads one from standard input.")],
    joint: Annotated[
        Literal["bead", "butt", "fillet"], typer.Option(help="What was welded: a bead on plate, a butt weld, a fillet.")
    ] = "bead",
    thickness: Annotated[str | None, typer.Option(help="Plate thickness, in the unit, or as 3/8 inch.")] = None,
    check_line: Annotated[
        str | None, typer.Option(help="Length of the card's 50 mm check line as you measured it, in the unit.")
    ] = None,
    electrode: Annotated[str | None, typer.Option(help="Electrode core diameter, in the unit, or as 1/8 inch.")] = None,
    electrode_class: Annotated[
        str | None,
        typer.Option(help='Electrode as its box names it, such as E7018, "E 42 4 B 42" (ISO 2560-A) or E4918 (-B).'),
    ] = None,
    current: Annotated[float | None, typer.Option(help="Welding current, A.")] = None,
    box_range: Annotated[
        str | None, typer.Option(help="Current range on the rod's own box, such as 90-130; it rules over ours.")
    ] = None,
    polarity: Annotated[Literal["DC+", "DC-", "AC"] | None, typer.Option(help="Polarity at the electrode.")] = None,
    voltage: Annotated[float | None, typer.Option(help="Arc voltage, V.")] = None,
    arc_time: Annotated[
        float | None, typer.Option(help="Arc time of this bead, s; its measured length then gives the travel speed.")
    ] = None,
    intended_width: Annotated[
        str | None, typer.Option(help="Width that the bead was meant to have, in the unit.")
    ] = None,
    technique: Annotated[
        Literal["stringer", "weave"] | None, typer.Option(help="Whether the bead was drawn straight or woven.")
    ] = None,
    position: Annotated[str | None, typer.Option(help=_POSITION_HELP)] = None,
    size: Annotated[str | None, typer.Option(help="Fillet size on the drawing, in the unit.")] = None,
    size_is: Annotated[Literal["leg", "throat"], typer.Option(help="What the drawing's size is.")] = "leg",
    joint_angle: Annotated[float | None, typer.Option(help="Angle between the plates of a fillet, degrees.")] = None,
    criteria: Annotated[
        str | None, typer.Option(help="Acceptance criteria: an id (see toeline criteria) or a file.")
    ] = None,
    condition: Annotated[
        list[str] | None, typer.Option(help="A condition that the criteria ask for: NAME=yes or NAME=no.")
    ] = None,
    rule: Annotated[Literal["guarded", "simple"], typer.Option(help="Decision rule.")] = "guarded",
    gauge: Annotated[list[str] | None, typer.Option(help=_GAUGE_HELP)] = None,
    ends: Annotated[
        str | None, typer.Option(help="Start and end of the bead in the photo: X1,Y1,X2,Y2 in pixels.")
    ] = None,
    camera: Annotated[Path | None, typer.Option(help="Camera profile made by toeline camera.")] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of what you type and read.")] = "mm",
    json_out: Annotated[
        str | None, typer.Option("--json", help="Write the result document to this file, or - for standard output.")
    ] = None,
    picture: Annotated[Path | None, typer.Option(help="Write the annotated picture (JPEG or PNG).")] = None,
    report: Annotated[Path | None, typer.Option(help="Write the report (PDF).")] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option(help="Paper of the report.")] = "a4",
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 where the judgement is fail.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="Every measure, indication and criteria line.")] = False,
) -> None:
    """Measure beads in photos, judge them where criteria are given, and say what to change.

    With several photos, --json, --picture and --report each name a folder. Exit code: 0 measured, 1 judged fail under
    --strict, 2 the words are off, 3 a photo could not be read or used (the others are still done).
    """
    from toeline.cli.show import show_result
    from toeline.settings import settings_from

    settings = settings_from(
        joint=joint,
        thickness=thickness,
        check_line=check_line,
        electrode=electrode,
        electrode_class=electrode_class,
        current=current,
        polarity=polarity,
        box_range=box_range,
        voltage=voltage,
        arc_time=arc_time,
        intended_width=intended_width,
        technique=technique,
        position=position,
        size=size,
        size_is=size_is,
        joint_angle=joint_angle,
        criteria=criteria,
        condition=condition or (),
        rule=rule,
        gauge=gauge or (),
        ends=ends,
        camera=camera,
        unit=unit,
    )
    _check_settings(settings)
    _check_names(photos, json_out, picture, report)
    _check_outputs(photos, json_out, picture, report)
    many = len(photos) > 1
    jobs = [
        Job(
            name=photo,
            data=sys.stdin.buffer.read() if photo == "-" else None,
            settings=settings,
            json_file=None if json_out in (None, "-") else _place(Path(json_out), photo, ".json", many),
            picture=picture and _place(picture, photo, ".jpg", many),
            report=report and _place(report, photo, ".pdf", many),
            paper=_PAPERS[paper],
        )
        for photo in photos
    ]
    finished: list[Done] = []
    for done in _all(jobs):
        finished.append(done)
        if many:
            typer.echo(f"{len(finished)}/{len(photos)} {done.name}", err=True)
        if done.error is not None:
            typer.echo(f"toeline: {done.error}", err=True)
        elif done.result is not None and json_out != "-":
            show_result(done.result, verbose=verbose)
        for path in done.written:
            typer.echo(f"wrote {path}", err=True)
    if json_out == "-":
        documents = [json.loads(done.result.to_json()) for done in finished if done.result is not None]
        if many or documents:
            typer.echo(json.dumps(documents if many else documents[0], indent=2, ensure_ascii=False))
    raise typer.Exit(_exit_code(finished, strict))


def _check_settings(settings: Settings) -> None:
    """Refuse what is wrong for every photo before the first is read."""
    from toeline.criteria import load_criteria
    from toeline.geometry.camera import load_profile
    from toeline.geometry.plate import print_scale

    if settings.criteria:
        load_criteria(settings.criteria)
    if settings.camera_profile:
        load_profile(settings.camera_profile)
    print_scale(settings.check_line_mm)


def _check_names(photos: Sequence[str], json_out: str | None, picture: Path | None, report: Path | None) -> None:
    """Refuse names that would have one photo's output overwrite another's, or a file that is not what it says."""
    if photos.count("-") > 1:
        raise typer.BadParameter("standard input holds one photo; give - once.", param_hint="PHOTOS")
    if len(photos) == 1:
        if picture and picture.suffix.lower() not in _PICTURE_ENDINGS:
            raise typer.BadParameter(
                f"{picture} is no picture; end its name with .jpg or .png.", param_hint="--picture"
            )
        if report and report.suffix.lower() != ".pdf":
            raise typer.BadParameter(f"{report} is no PDF; end its name with .pdf.", param_hint="--report")
    elif picture or report or json_out not in (None, "-"):
        stems = [_stem(photo) for photo in photos]
        twice = next((stem for stem in stems if stems.count(stem) > 1), None)
        if twice is not None:
            raise typer.BadParameter(
                f"two photos are named {twice}, and one's output would replace the other's; measure them apart.",
                param_hint="PHOTOS",
            )


def _check_outputs(photos: Sequence[str], json_out: str | None, picture: Path | None, report: Path | None) -> None:
    """Folders are made for several photos; a single photo's outputs need a place that exists."""
    many = len(photos) > 1
    for name, path in (("--json", json_out if json_out != "-" else None), ("--picture", picture), ("--report", report)):
        if path is None:
            continue
        target = Path(path)
        try:
            (target if many else target.parent).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise typer.BadParameter(
                f"{target} cannot be made a place to write to ({error.strerror}).", param_hint=name
            ) from None
        if not many and target.is_dir():
            raise typer.BadParameter(f"{target} is a folder; name a file.", param_hint=name)


def _stem(photo: str) -> str:
    """What a photo's outputs are named after."""
    return "photo" if photo == "-" else Path(photo).stem


def _place(target: Path, photo: str, ending: str, many: bool) -> Path:
    """A photo's own file: what the user named, or under its stem in the folder that the user named."""
    return target / f"{_stem(photo)}{ending}" if many else target


def _all(jobs: Sequence[Job]) -> Iterator[Done]:
    """Each photo's outcome in order; one photo in this process, several in one process a core."""
    if len(jobs) == 1:
        yield _one(jobs[0])
        return
    workers = min(os.cpu_count() or 1, len(jobs))
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for job, future in [(job, pool.submit(_one, job)) for job in jobs]:
            try:
                yield future.result()
            except BrokenProcessPool:
                yield Done(
                    job.name, error=f"{job.name} was not measured: a process was stopped, perhaps out of memory."
                )


def _one(job: Job) -> Done:
    from toeline.photo import read_photo
    from toeline.pipeline import measure_with

    try:
        photo = read_photo(job.name) if job.data is None else read_photo(job.data, "standard input")
        result = measure_with(photo, job.settings)
        unit = job.settings.unit
        if job.json_file is not None:
            job.json_file.write_text(result.to_json() + "\n", "utf-8")
        if job.picture is not None:
            from toeline.report.picture import draw_picture, encode

            kind: Literal["png", "jpeg"] = "png" if job.picture.suffix.lower() == ".png" else "jpeg"
            job.picture.write_bytes(encode(draw_picture(photo, result, unit=unit), kind))
        if job.report is not None:
            from toeline.report import write_report

            write_report(result, photo, job.report, paper=job.paper, unit=unit)
    except ToelineError as error:
        return Done(job.name, error=str(error))
    except OSError as error:
        return Done(job.name, error=f"{error.filename or job.name} cannot be written or read ({error.strerror}).")
    except Exception as error:  # a fault of ours on one photo must not stop the others
        return Done(job.name, error=bug_message(error, job.name), bug=True)
    written = tuple(path for path in (job.json_file, job.picture, job.report) if path is not None)
    return Done(job.name, result=result, written=written)


def bug_message(error: Exception, doing: str) -> str:
    """One sentence about a fault of ours."""
    return f"an error of toeline's own at {doing} ({type(error).__name__}: {error}); please report it."


def _exit_code(finished: Sequence[Done], strict: bool) -> int:
    if any(done.bug for done in finished):
        return BUG
    if any(done.result is None or not done.result.photo.usable for done in finished):
        return PHOTO_UNUSABLE
    failed = any(d.result and d.result.judgement and d.result.judgement.outcome == "fail" for d in finished)
    return JUDGED_FAIL if strict and failed else OK
