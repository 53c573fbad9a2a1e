"""``toeline measure``: photos in, results out; several at once on all cores."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from toeline import __version__
from toeline.batch import Measured
from toeline.cli.outputs import Outputs
from toeline.result import Settings
from toeline.text import one_line, shown_path

OK, JUDGED_FAIL, PHOTO_UNUSABLE = 0, 1, 3
#: A bug of ours, told apart from any answer (sysexits.h, EX_SOFTWARE).
BUG = 70
#: The report's name of a paper.
PAPERS: dict[str, Literal["a4", "us-letter"]] = {"a4": "a4", "letter": "us-letter"}


_WELD, _PHOTO, _JUDGE, _OUT, _MANY = "The weld", "The photo", "The judgement", "What comes out", "Many photos"
_GAUGE_HELP = (
    "A gauge reading: NAME=VALUE or NAME=VALUE@PLACE along the seam, such as undercut_depth=0.4@37; with the gauge's "
    "own uncertainty (k = 2) undercut_depth=0.4±0.1@37 or 0.4+-0.1@37. Without a place it is the worst along the whole "
    "weld. Names: toeline criteria --gauges."
)
_RULE_HELP = (
    "guarded: pass only where value + U is within the limit, fail only where value - U is beyond it; simple: the value "
    "alone."
)
_LOOKED_HELP = (
    "What a person saw along the whole weld, with a lens where needed: crack=none, overlap=yes@37, pores=3. A look "
    "that is not given was not looked. Names: toeline criteria --gauges."
)
_NOTICED_HELP = (
    "What was seen or heard while welding, for the coach: NAME=STATE, such as sound=weak or rod=stuck. Names and "
    "states: toeline noticed."
)
_POSITION_HELP = (
    'Welding position: a word, such as "vertical up"; a name, such as 2G, "3F up" or PB; or the slope of the weld axis '
    "(uphill above 0) and how far the face is turned from looking straight up, in degrees: 10,20 is flat, "
    "0,180 overhead."
)


def _option(panel: str, said: str, metavar: str | None = None, *, flag: str | None = None) -> Any:
    """An option of ``measure``: where it stands in the help, what that says, and its name where it is another."""
    return typer.Option(*filter(None, [flag]), help=said, metavar=metavar, rich_help_panel=panel)


def measure(
    photos: Annotated[list[str], typer.Argument(help="Photos to measure; - reads one from standard input.")],
    joint: Annotated[
        Literal["bead", "butt", "fillet"], _option(_WELD, "What was welded: a bead on plate, a butt weld, a fillet.")
    ] = "bead",
    thickness: Annotated[str | None, _option(_WELD, "Plate thickness, in the unit, or as 3/8 inch.", "LENGTH")] = None,
    second_thickness: Annotated[
        str | None, _option(_WELD, "Thickness of the other plate; limits go by the thinner.", "LENGTH")
    ] = None,
    weld_thickness: Annotated[
        str | None, _option(_WELD, "Thickness of a butt weld that is no full penetration.", "LENGTH")
    ] = None,
    check_line: Annotated[
        str | None, _option(_PHOTO, "Length of the card's 50 mm check line as you measured it, in the unit.", "LENGTH")
    ] = None,
    electrode: Annotated[
        str | None, _option(_WELD, "Electrode core diameter, in the unit, or as 1/8 inch.", "LENGTH")
    ] = None,
    electrode_class: Annotated[
        str | None,
        _option(
            _WELD, 'Electrode as its box names it, such as E7018, "E 42 4 B 42" (ISO 2560-A) or E4918 (-B).', "CLASS"
        ),
    ] = None,
    current: Annotated[float | None, _option(_WELD, "Welding current, A.", "A")] = None,
    box_range: Annotated[
        str | None, _option(_WELD, "Current range on the rod's own box, such as 90-130; it rules over ours.", "A-A")
    ] = None,
    polarity: Annotated[Literal["DC+", "DC-", "AC"] | None, _option(_WELD, "Polarity at the electrode.")] = None,
    voltage: Annotated[float | None, _option(_WELD, "Arc voltage, V.", "V")] = None,
    arc_time: Annotated[
        float | None, _option(_WELD, "Arc time of this bead, s; its measured length then gives the travel speed.", "S")
    ] = None,
    travel_speed: Annotated[
        str | None, _option(_WELD, "Travel speed, in the unit a minute, where it is known without the time.", "LENGTH")
    ] = None,
    intended_width: Annotated[
        str | None, _option(_WELD, "Width that the bead was meant to have, in the unit.", "LENGTH")
    ] = None,
    technique: Annotated[
        Literal["stringer", "weave"] | None, _option(_WELD, "Whether the bead was drawn straight or woven.")
    ] = None,
    noticed: Annotated[list[str] | None, _option(_WELD, _NOTICED_HELP, "NAME=STATE")] = None,
    position: Annotated[str | None, _option(_WELD, _POSITION_HELP, "WORDS")] = None,
    procedure: Annotated[
        Path | None,
        _option(
            _WELD,
            "Welding procedure (WPS): a file of its ranges, which the settings are held against. An example: "
            "toeline procedure.",
            "FILE",
        ),
    ] = None,
    weld_pass: Annotated[
        str | None, _option(_WELD, "Pass that the photo shows: root, fill, cap or a number.", "PASS")
    ] = None,
    preheat: Annotated[
        str | None,
        _option(_WELD, "Temperature of the plate before welding, in °C (in °F with --unit in), or as 300F.", "DEGREES"),
    ] = None,
    interpass: Annotated[
        str | None,
        _option(
            _WELD, "Temperature of the weld before this pass, in °C (in °F with --unit in), or as 480F.", "DEGREES"
        ),
    ] = None,
    size: Annotated[str | None, _option(_WELD, "Fillet size on the drawing, in the unit.", "LENGTH")] = None,
    size_is: Annotated[Literal["leg", "throat"], _option(_WELD, "What the drawing's size is.")] = "leg",
    joint_angle: Annotated[
        float | None, _option(_WELD, "Angle between the plates of a fillet, degrees.", "DEGREES")
    ] = None,
    criteria: Annotated[
        str | None, _option(_JUDGE, "Acceptance criteria: an id (see toeline criteria) or a file.", "SET")
    ] = None,
    condition: Annotated[
        list[str] | None, _option(_JUDGE, "A condition that the criteria ask for: NAME=yes or NAME=no.", "NAME=yes")
    ] = None,
    rule: Annotated[Literal["guarded", "simple"], _option(_JUDGE, _RULE_HELP)] = "guarded",
    gauge: Annotated[list[str] | None, _option(_JUDGE, _GAUGE_HELP, "NAME=VALUE")] = None,
    looked: Annotated[list[str] | None, _option(_JUDGE, _LOOKED_HELP, "NAME=none")] = None,
    looked_by: Annotated[str | None, _option(_JUDGE, "Who looked and gauged; it stands in the report.", "NAME")] = None,
    ends: Annotated[
        str | None, _option(_PHOTO, "Start and end of the bead in the photo: X1,Y1,X2,Y2 in pixels.", "X1,Y1,X2,Y2")
    ] = None,
    camera: Annotated[Path | None, _option(_PHOTO, "Camera profile made by toeline camera.", "FILE")] = None,
    unit: Annotated[Literal["mm", "in"], _option(_OUT, "Unit of what you type and read.")] = "mm",
    json_out: Annotated[
        str | None,
        _option(_OUT, "Write the result document to this file, or - for standard output.", "PLACE", flag="--json"),
    ] = None,
    picture: Annotated[Path | None, _option(_OUT, "Write the annotated picture (JPEG or PNG).", "PLACE")] = None,
    report: Annotated[Path | None, _option(_OUT, "Write the report (PDF).", "PLACE")] = None,
    paper: Annotated[Literal["a4", "letter"], _option(_OUT, "Paper of the report.")] = "a4",
    strict: Annotated[bool, _option(_JUDGE, "Exit with 1 where the judgement is fail.", "", flag="--strict")] = False,
    verbose: Annotated[
        bool, _option(_OUT, "Say every measure, indication and criteria line.", "", flag="--verbose")
    ] = False,
    force: Annotated[
        bool, _option(_OUT, "Write over files that are there; never over a photo that is measured.", "", flag="--force")
    ] = False,
    parquet: Annotated[
        Path | None,
        _option(
            _MANY,
            "Write one table of all photos (Parquet). What is measured is kept on the way: the same command goes "
            "on where it was stopped.",
            "FILE",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        _option(
            _MANY,
            "Measure on the cluster behind this Dask scheduler, such as tcp://host:8786; its workers have to see "
            "the files under the same paths.",
            "ADDRESS",
        ),
    ] = None,
) -> None:
    """Measure beads in photos, judge them where criteria are given, and say what to change.

    With several photos, --json, --picture and --report each name a folder.

    Exit code: 0 measured, 1 judged fail where --strict asks, 2 words that are off, 3 photos not read or used.
    """
    from toeline.settings import settings_from

    settings = settings_from(
        joint=joint,
        thickness=thickness,
        second_thickness=second_thickness,
        weld_thickness=weld_thickness,
        check_line=check_line,
        electrode=electrode,
        electrode_class=electrode_class,
        current=current,
        polarity=polarity,
        box_range=box_range,
        voltage=voltage,
        arc_time=arc_time,
        travel_speed=travel_speed,
        intended_width=intended_width,
        technique=technique,
        noticed=noticed or (),
        position=position,
        procedure=procedure,
        weld_pass=weld_pass,
        preheat=preheat,
        interpass=interpass,
        size=size,
        size_is=size_is,
        joint_angle=joint_angle,
        criteria=criteria,
        condition=condition or (),
        rule=rule,
        gauge=gauge or (),
        looked=looked or (),
        looked_by=looked_by,
        ends=ends,
        camera=camera,
        unit=unit,
    )
    _check_settings(settings)
    outputs = Outputs(
        json=None if json_out in (None, "-") else Path(json_out),
        picture=picture,
        report=report,
        table=parquet,
        force=force,
    )
    if photos.count("-") > 1:
        raise typer.BadParameter("standard input holds one photo; give - once.", param_hint="PHOTOS")
    outputs.check(photos)
    many = len(photos) > 1
    finished: list[Measured] = []
    for done, photo in zip(_in_order(photos, settings, outputs, PAPERS[paper], scheduler), photos, strict=True):
        finished.append(done)
        _say(done, f"{len(finished)}/{len(photos)} " if many else "", None if json_out == "-" else verbose, not many)
        for path in outputs.of(photo, many):
            if path is not None and done.result is not None:
                typer.echo(f"wrote {shown_path(path)}", err=True)
    if many and json_out != "-":
        from toeline.cli.show import show_cautions

        show_cautions([done.result for done in finished if done.result is not None])
    if json_out == "-":
        documents = [json.loads(done.result.to_json()) for done in finished if done.result is not None]
        if many or documents:
            typer.echo(json.dumps(documents if many else documents[0], indent=2, ensure_ascii=False))
    raise typer.Exit(_exit_code(finished, strict))


def _in_order(
    photos: Sequence[str],
    settings: Settings,
    outputs: Outputs,
    paper: Literal["a4", "us-letter"],
    scheduler: str | None,
) -> Iterator[Measured]:
    """Each photo's outcome in the order of the words, so that the same words say the same; the table last."""
    from toeline.batch import Journal, remembered, settings_digest, write_parquet
    from toeline.cli.jobs import Job, Written, cluster, do_all

    with ExitStack() as stack:
        executor = stack.enter_context(cluster(scheduler)) if scheduler else None
        kept, key = None, ""
        if outputs.table is not None:
            kept = stack.enter_context(Journal(outputs.table.with_name(outputs.table.name + ".part")))
            key = settings_digest(settings, __version__)

        def jobs() -> Iterator[Job]:
            for number, photo in enumerate(photos):
                data = sys.stdin.buffer.read() if photo == "-" else None
                path = Path(photo).absolute()  # for a cluster's workers
                known = remembered(path, key, kept) if kept is not None and data is None else None
                to = Written(*outputs.of(photo, len(photos) > 1), paper)
                yield Job(number, path, data, settings, known, to)

        waiting: dict[int, Measured] = {}
        every: list[Measured] = []
        for number, done in do_all(jobs(), executor):
            waiting[number] = done
            if kept is not None and done.result is not None:
                kept.remember(done.result.photo.sha256, key, done.result)
            while (following := waiting.pop(len(every), None)) is not None:
                every.append(following)
                yield following
        if outputs.table is not None and kept is not None:
            write_parquet(every, outputs.table)
            kept.remove()


def _say(done: Measured, count: str, verbose: bool | None, cautions: bool) -> None:
    """Tell of one photo; ``verbose`` is None where standard output is for the document alone."""
    from toeline.cli.show import show_result

    if count:
        typer.echo(f"{count}{done.photo}", err=True)
    if done.problem is not None:
        typer.echo(f"toeline: {one_line(done.problem)}", err=True)
    elif done.result is not None and verbose is not None:
        show_result(done.result, verbose=verbose, cautions=cautions)


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


def _exit_code(finished: Sequence[Measured], strict: bool) -> int:
    if any(done.bug for done in finished):
        return BUG
    if any(done.result is None or not done.result.photo.usable for done in finished):
        return PHOTO_UNUSABLE
    failed = any(d.result and d.result.judgement and d.result.judgement.outcome == "fail" for d in finished)
    return JUDGED_FAIL if strict and failed else OK
