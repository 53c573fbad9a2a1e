"""The instructor's subcommands: rubrics, a class scored, raters compared."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from toeline.cli.outputs import spare
from toeline.errors import RubricError, SettingsError
from toeline.files import write_whole
from toeline.text import one_line

if TYPE_CHECKING:
    from toeline.batch import Measured
    from toeline.coupons.coupons import ClassScores
    from toeline.coupons.progress import Progress
    from toeline.result import Result, Settings


#: Of every command that writes what was asked for.
Force = Annotated[
    bool, typer.Option("--force", help="Write over files that are there; never over one that is read.", metavar="")
]


def rubric(
    which: Annotated[str | None, typer.Argument(help="A shipped name or a file; without one, all are listed.")] = None,
    pass_mark: Annotated[
        float | None, typer.Option(help="Pass mark, percent of all points.", metavar="PERCENT")
    ] = None,
    weight: Annotated[
        list[str] | None,
        typer.Option(help="Points for one thing that counts; 0 takes it out. Once for each.", metavar="ID=POINTS"),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Write the rubric to this file, to be given to score.")] = None,
) -> None:
    """List scoring rubrics, show or check one, set its pass mark and weights."""
    from toeline.coupons.rubric import load_rubric, read_rubric, rubric_text, shipped_rubrics, with_marks

    console = Console(highlight=False, soft_wrap=True)
    if which is None:
        for name in shipped_rubrics():
            console.print(Text(f"{name:<20} {load_rubric(name).title}"))
        console.print("Show one: toeline rubric NAME. Change it: toeline rubric NAME --pass-mark 75 --out mine.toml")
        return
    text = rubric_text(which)
    chosen = read_rubric(text, which)
    if pass_mark is not None or weight:
        share = chosen.pass_share if pass_mark is None else pass_mark / 100
        text = with_marks(text, share, dict(_weight(one) for one in weight or ()))
        chosen = read_rubric(text, which)
    console.print(Text(f"{chosen.title}: {chosen.points:g} points, pass mark {chosen.pass_share * chosen.points:g}"))
    table = Table(box=None, pad_edge=False)
    for title in ("id", "points", "what counts", "why"):
        table.add_column(title, overflow="fold", justify="right" if title == "points" else "left")
    for item in chosen.item:
        table.add_row(item.id, f"{item.weight:g}", Text(item.title), Text(item.why))
    for rule in chosen.fails:
        table.add_row(rule.id, "fails", Text(rule.title), Text(rule.why))
    console.print(table, soft_wrap=False)
    if out is not None:
        write_whole(out, text)
        typer.echo(f"{out}: give it to toeline score --rubric {out}")


def _weight(text: str) -> tuple[str, float]:
    name, _, points = text.partition("=")
    try:
        return name.strip(), float(points)
    except ValueError:
        raise RubricError(f"{text!r} is not ID=POINTS, such as even_width=30.") from None


def score(
    folder: Annotated[
        Path,
        typer.Argument(
            help="Folder of coupon photos; ada left.jpg, right, start or end tell the height of ada.jpg with it."
        ),
    ],
    rubric: Annotated[str | None, typer.Option(help="Rubric: a shipped name or a file.")] = None,
    roster: Annotated[
        Path | None,
        typer.Option(
            help="CSV with name and file or code; electrode, intended_width, criteria and looks of one coupon alone."
        ),
    ] = None,
    reference: Annotated[Path | None, typer.Option(help="Photo of the reference bead.")] = None,
    joint: Annotated[Literal["bead", "butt", "fillet"], typer.Option(help="What was welded.")] = "bead",
    thickness: Annotated[
        str | None, typer.Option(help="Plate thickness, in the unit, or as 3/8 inch.", metavar="LENGTH")
    ] = None,
    check_line: Annotated[
        str | None, typer.Option(help="Measured length of the card's check line, in the unit.", metavar="LENGTH")
    ] = None,
    electrode: Annotated[
        str | None, typer.Option(help="Electrode core diameter, in the unit, or as 1/8 inch.", metavar="LENGTH")
    ] = None,
    intended_width: Annotated[
        str | None,
        typer.Option(help="Width that the beads were meant to have, in the unit, or as 1/4 inch.", metavar="LENGTH"),
    ] = None,
    electrode_class: Annotated[str | None, typer.Option(help="Electrode, as its box names it.")] = None,
    criteria: Annotated[str | None, typer.Option(help="Acceptance criteria, an id or a file.")] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of lengths, here and on the sheets.")] = "mm",
    csv: Annotated[Path | None, typer.Option(help="Write the class list as CSV.")] = None,
    xlsx: Annotated[Path | None, typer.Option(help="Write the class list as XLSX.")] = None,
    sheets: Annotated[
        Path | None, typer.Option(help="Write the class list, the next session and a sheet for each learner (one PDF).")
    ] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write all of it as JSON.")] = None,
    record: Annotated[
        str | None,
        typer.Option(
            help="Put each coupon on record under its name; sheets then say what moved since the last.",
            metavar="CLASS",
        ),
    ] = None,
    date: Annotated[
        datetime | None,
        typer.Option(help="Day of the welding, for the record; today if left out.", formats=["%Y-%m-%d"]),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Measure every photo anew.", metavar="")] = False,
    force: Force = False,
) -> None:
    """Score a folder of coupons against a rubric; an interrupted batch goes on where it stopped.

    Exit code: 0 the class is whole, 3 a photo could not be used, a name has no photo or a photo has no name.
    """
    from toeline.batch import KeptMeasurements
    from toeline.cli.show_class import show_class
    from toeline.coupons.coupons import photos_in, score_folder, to_csv, to_xlsx
    from toeline.coupons.roster import read_roster
    from toeline.coupons.rubric import load_rubric, shipped_rubrics
    from toeline.settings import settings_from

    read = (*photos_in(folder), *(Path(one) for one in (roster, rubric, reference, criteria) if one))
    spare((csv, xlsx, sheets, json_out), read, force)
    chosen = load_rubric(rubric or shipped_rubrics()[0])
    settings = settings_from(
        joint=joint,
        thickness=thickness,
        check_line=check_line,
        criteria=criteria,
        electrode=electrode,
        electrode_class=electrode_class,
        intended_width=intended_width,
        unit=unit,
    )
    scores = score_folder(
        folder,
        chosen,
        settings=settings,
        reference=reference,
        roster=read_roster(roster.read_bytes()) if roster else None,
        memory=None if forget else KeptMeasurements(),
        on_progress=_said_of_one,
    )
    show_class(scores)
    since = _on_record(scores, folder, record, date or datetime.now()) if record is not None else None
    if csv is not None:
        write_whole(csv, to_csv(scores))
    if xlsx is not None:
        write_whole(xlsx, to_xlsx(scores))
    if sheets is not None:
        from toeline.coupons.sheets import coupon_sheets

        pictures = _pictures(folder, {c.photo: c.result for c in scores.coupons if c.result}, unit)
        write_whole(sheets, coupon_sheets(scores, pictures, since=since, unit=unit))
    if json_out is not None:
        from toeline.coupons.document import class_json

        write_whole(json_out, class_json(scores, unit) + "\n")
    if not scores.complete:
        raise typer.Exit(3)


def _said_of_one(done: int, of: int, one: Measured) -> None:
    """How far the class is, and what is wrong with photos from a bead's sides."""
    typer.echo(f"{done}/{of} {one.photo}", err=True)
    for info in one.result.photos[1:] if one.result is not None else ():
        for problem in info.problems:
            typer.echo(f"toeline: {one_line(f'{info.name} is left out. {problem.text}')}", err=True)


def _pictures(
    folder: Path, results: dict[str, Result], unit: Literal["mm", "in"] = "mm", key: bool = True
) -> dict[str, bytes]:
    """The annotated pictures of photos that were measured; one that cannot be drawn any more is told of."""
    from toeline.cli.jobs import pictures

    drawn, problems = pictures(folder, results, unit=unit, key=key)
    for problem in problems:
        typer.echo(f"toeline: {one_line(f'There is no picture. {problem}')}", err=True)
    return drawn


def _on_record(scores: ClassScores, folder: Path, class_name: str, date: datetime) -> dict[str, tuple[str, Progress]]:
    """Put the class on record; what moved since each learner's last bead there."""
    from toeline.coupons.log import put_on_record, sides_of, since_last
    from toeline.record import Store

    with Store.open() as store:
        since = since_last(store, scores)
        names = [name for one in scores.coupons if one.result for name in (one.photo, *(s.name for s in sides_of(one)))]
        photos = {name: (folder / name).read_bytes for name in names}
        done = put_on_record(store, scores, photos, class_name=class_name, date=date.date())
    typer.echo(f"On record: {len(done.saved)} new, {len(done.there_already)} there already.", err=True)
    return since


def agree(
    marks: Annotated[Path, typer.Argument(help="CSV with the header coupon and one column for each rater.")],
    class_list: Annotated[
        Path | None, typer.Option(help="Class list that toeline score wrote as CSV: toeline is then a rater too.")
    ] = None,
    json_out: Annotated[bool, typer.Option("--json", help="As JSON, for machines.", metavar="")] = False,
) -> None:
    """Say how well raters agree on a class: Cohen's kappa, and where they differ."""
    import json
    from dataclasses import asdict
    from itertools import combinations

    from toeline.cli.show_class import show_agreement
    from toeline.coupons.agreement import agreement, marks_of_class, read_marks

    raters = read_marks(marks.read_bytes(), str(marks))
    if class_list is not None:
        raters["toeline"] = marks_of_class(class_list.read_bytes(), next(iter(raters.values())), str(class_list))
    found = [agreement(raters[first], raters[second], (first, second)) for first, second in combinations(raters, 2)]
    if json_out:
        typer.echo(json.dumps([asdict(one) | {"called": one.called} for one in found], ensure_ascii=False, indent=1))
        return
    for one in found:
        show_agreement(one)


def drills(
    json_out: Annotated[bool, typer.Option("--json", help="As JSON, for machines.", metavar="")] = False,
) -> None:
    """List the drills: what to weld against each trouble, and when it is done."""
    import json

    from toeline.coupons.drills import drills as listed

    if json_out:
        typer.echo(json.dumps([one.model_dump(by_alias=True) for one in listed()], ensure_ascii=False, indent=1))
        return
    out = Console(highlight=False)
    for one in listed():
        out.print(Text(f"{one.title} ({one.id})", style="bold"))
        for_what = ", ".join((*one.troubles, *one.topics, *([f"first thing: {one.when}"] if one.when else [])))
        out.print(Text(f"  for {for_what}"))
        out.print(Text(f"  {one.general()}"))
        figures = [f"{done.called.rstrip(',')} {done.limits_in_words()}" for done in one.done if done.measure]
        figures += [f"a look finds {done.called}" for done in one.done if done.indication]
        again = f"{one.beads} times in a row" if one.beads > 1 else "once"
        out.print(Text(f"  done: {', or '.join(figures) or 'your instructor has seen it'}; {again}"))
        out.print(Text(f"  source: {one.source}"))


def compare(
    before: Annotated[Path, typer.Argument(help="Photo of the bead before, or its result (JSON).")],
    after: Annotated[Path, typer.Argument(help="Photo of the bead after, or its result (JSON).")],
    joint: Annotated[Literal["bead", "butt", "fillet"], typer.Option(help="What was welded.")] = "bead",
    thickness: Annotated[
        str | None, typer.Option(help="Plate thickness, in the unit, or as 3/8 inch.", metavar="LENGTH")
    ] = None,
    check_line: Annotated[
        str | None, typer.Option(help="Measured length of the card's check line, in the unit.", metavar="LENGTH")
    ] = None,
    electrode: Annotated[
        str | None, typer.Option(help="Electrode core diameter, in the unit, or as 1/8 inch.", metavar="LENGTH")
    ] = None,
    electrode_class: Annotated[str | None, typer.Option(help="Electrode, as its box names it.")] = None,
    rubric: Annotated[
        str | None, typer.Option(help="Rubric by which the bead before was scored: its sheet may be about its points.")
    ] = None,
    name: Annotated[str, typer.Option(help="Whose beads they are, for the sheet.")] = "Before and after",
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of lengths.")] = "mm",
    sheet: Annotated[Path | None, typer.Option(help="Write both side by side on one page (PDF).")] = None,
    json_out: Annotated[Path | None, typer.Option("--json", help="Write the comparison as JSON.")] = None,
    force: Force = False,
) -> None:
    """Hold a bead against the one before: did what the last advice aimed at move beyond the tool's own spread?

    Exit code: 0 compared, 3 a photo could not be used.
    """
    from toeline.cli.show_class import show_progress
    from toeline.coupons.document import progress_json
    from toeline.coupons.progress import compare as held_against
    from toeline.coupons.rubric import load_rubric
    from toeline.coupons.sheets import Bead, progress_sheet
    from toeline.settings import settings_from

    spare((json_out, sheet), (before, after, *([Path(rubric)] if rubric else ())), force)
    settings = settings_from(
        joint=joint,
        thickness=thickness,
        check_line=check_line,
        electrode=electrode,
        electrode_class=electrode_class,
        unit=unit,
    )
    (one, first), (two, second) = _beads((before, after), settings)
    stopped = [(path, result.stopped) for path, result in ((before, one), (after, two)) if result.stopped]
    for path, why in stopped:
        typer.echo(f"toeline: {path.name}: {why}", err=True)
    if stopped:
        raise typer.Exit(3)
    progress = held_against(one, two, load_rubric(rubric) if rubric else None)
    show_progress(progress, unit, two.settings.welding.electrode_mm)
    if json_out is not None:
        write_whole(json_out, progress_json(progress) + "\n")
    if sheet is not None:
        beads = (Bead(f"Before: {before.name}", one, first), Bead(f"After: {after.name}", two, second))
        write_whole(sheet, progress_sheet(name, progress, beads, unit=unit))


def _beads(paths: tuple[Path, Path], settings: Settings) -> tuple[tuple[Result, bytes | None], ...]:
    """Two beads' results and pictures: measured from a photo, or read from a result that was written before."""
    from toeline.cli.jobs import drawn

    measured = drawn([path for path in paths if not _is_result(path)], settings)
    return tuple((_result_in(path), None) if _is_result(path) else next(measured) for path in paths)


def _is_result(path: Path) -> bool:
    return path.suffix.lower() == ".json"


def _result_in(path: Path) -> Result:
    from pydantic import ValidationError

    from toeline.result import Result

    try:
        return Result.model_validate_json(path.read_bytes())
    except ValidationError:
        raise SettingsError(f"{path} is no result; write one with toeline measure PHOTO --json FILE.") from None


def wall_chart(
    folder: Annotated[Path, typer.Argument(help="Folder of coupon photos.")],
    out: Annotated[Path, typer.Argument(help="File to write (PDF).")],
    paper: Annotated[Literal["a3", "a4", "us-tabloid", "us-letter"], typer.Option(help="Paper.")] = "a3",
    example: Annotated[
        list[str] | None,
        typer.Option(
            help="The bead that shows a trouble; TROUBLE= leaves it out. Once for each.", metavar="TROUBLE=PHOTO"
        ),
    ] = None,
    rubric: Annotated[str | None, typer.Option(help="Rubric: a shipped name or a file.")] = None,
    joint: Annotated[Literal["bead", "butt", "fillet"], typer.Option(help="What was welded.")] = "bead",
    check_line: Annotated[
        str | None, typer.Option(help="Measured length of the card's check line, in the unit.", metavar="LENGTH")
    ] = None,
    electrode: Annotated[
        str | None, typer.Option(help="Electrode core diameter, in the unit, or as 1/8 inch.", metavar="LENGTH")
    ] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of lengths, here and on the chart.")] = "mm",
    force: Force = False,
) -> None:
    """Make a wall chart from the school's own beads: best, typical, each trouble; without names."""
    from toeline.batch import KeptMeasurements
    from toeline.coupons.coupons import photos_in, score_folder
    from toeline.coupons.rubric import load_rubric, shipped_rubrics
    from toeline.coupons.wall_chart import chosen_photos, plan_chart
    from toeline.coupons.wall_chart import wall_chart as typeset
    from toeline.settings import settings_from

    spare((out,), (*photos_in(folder), *([Path(rubric)] if rubric else ())), force)
    picks: dict[Any, str | None] = {}
    for text in example or ():
        trouble, _, photo = text.partition("=")
        picks[trouble] = photo or None
    scores = score_folder(
        folder,
        load_rubric(rubric or shipped_rubrics()[0]),
        settings=settings_from(joint=joint, check_line=check_line, electrode=electrode, unit=unit),
        memory=KeptMeasurements(),
        on_progress=lambda done, of, one: typer.echo(f"{done}/{of} {one.photo}", err=True),
    )
    plan = plan_chart(scores, picks)
    results = {one.photo: one.result for one in scores.coupons if one.result is not None}
    pictures = _pictures(folder, {photo: results[photo] for photo in chosen_photos(plan)}, unit, key=False)
    write_whole(out, typeset(scores, plan, pictures, paper=paper, unit=unit))
    if plan.missing:
        typer.echo(f"Not yet among these beads: {', '.join(plan.missing)}.", err=True)
