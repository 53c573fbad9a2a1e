"""``toeline record``: the welds on record, later tests of them, their procedures, and what their welders keep up."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from toeline.cli.records import WELDS, AsJson, Where, app, count, existing, say, store_type
from toeline.errors import RecordError
from toeline.files import write_new
from toeline.names import DECIDED, TESTS, TestKind
from toeline.text import shown_path
from toeline.units import in_unit
from toeline.units import rod as rod_size
from toeline.units import say as words

__all__ = ["app"]

if TYPE_CHECKING:
    from toeline.record import Kept, Summary, TrendPoint, Weld


@app.command("list", rich_help_panel=WELDS)
def list_inspections(
    text: Annotated[str, typer.Argument(help="Words that must stand in job, weld, welder, remarks or the like.")] = "",
    superseded: Annotated[bool, typer.Option("--superseded", help="Show superseded ones too.", metavar="")] = False,
    most: Annotated[int, typer.Option(help="As many at most, the latest first.", min=1, max=1000, metavar="N")] = 50,
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """List inspections, the latest first."""
    from toeline.record import Filters

    with store_type().open(existing(store)) as opened:
        found = opened.search(text, Filters(superseded=superseded), size=most)
    lines = [
        f"{_entry(one)}, {_which(one)}{f', {one.identity.welder}' if one.identity.welder else ''}: {_state(one)}"
        for one in found.items
    ]
    shown = f", {len(lines)} of them shown" if found.total > len(lines) else ""
    say(as_json, found, *lines, f"{count(found.total, 'inspection')}{shown}.")


def _which(one: Summary) -> str:
    from toeline.report.content import weld_words

    return weld_words(one.identity)


@app.command(rich_help_panel=WELDS)
def weld(
    entry: Annotated[
        int, typer.Argument(help="Number of an inspection's entry; any pass or side of the weld does.", min=1)
    ],
    store: Where = None,
    report: Annotated[
        Path | None, typer.Option(help="Write the report of the whole weld (PDF); a file that is there is spared.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Everything on record about one weld: its passes and sides, and the tests made on it later."""
    with store_type().open(existing(store)) as opened:
        inspection = opened.numbered(entry)
        found = opened.weld(inspection)
    if report is not None:
        _write_weld(store, inspection, report)
    say(as_json, found, *_weld_lines(found))


def _weld_lines(found: Weld) -> Iterator[str]:
    from toeline.report.content import part_words

    yield ", ".join(f"{name} {said}" for name, said in _weld_head(found)) or "A weld without a number"
    for one in found.inspections:
        yield f"  {_entry(one)}, {part_words(one.identity)}: {_state(one)}"
    for test in found.tests:
        held = f"superseded by entry {test.superseded_by}" if test.superseded_by else test.outcome.upper()
        photos = test.photos and count(len(test.photos), "photo")
        tail = "".join(f", {said}" for said in (test.date, test.by, test.standard, test.found, photos) if said)
        yield f"  entry {test.number}, {TESTS[test.kind]}: {held}{tail}"


def _entry(one: Summary) -> str:
    return f"entry {one.number}, {one.identity.date or one.created_at[:10]}"


def _state(one: Summary) -> str:
    decided = DECIDED[one.decision]
    beside = f" [{'; '.join(one.beside)}]" if one.beside else ""
    return f"{one.outcome or 'not judged'}{beside}, {'superseded' if one.superseded else decided}"


def _weld_head(found: Weld) -> list[tuple[str, str]]:
    named = (("Weld", found.weld), ("drawing", found.drawing), ("part", found.part), ("job", found.job))
    return [(name, said) for name, said in named if said]


def _write_weld(store: str | None, inspection: str, path: Path) -> None:
    from toeline.cli.jobs import weld_pdf

    try:
        write_new(path, weld_pdf(store, inspection))
    except FileExistsError:
        raise RecordError(f"There is a file {shown_path(path)} already: give another name.") from None
    typer.echo(f"wrote {shown_path(path)}", err=True)


@app.command("test", rich_help_panel=WELDS)
def add_test(
    entry: Annotated[int, typer.Argument(help="Number of the inspection's entry whose weld was tested.", min=1)],
    kind: Annotated[TestKind, typer.Argument(help="What was tested.")],
    outcome: Annotated[Literal["pass", "fail"], typer.Argument(help="What came out.")],
    date: Annotated[
        datetime.datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Day of the test.", metavar="DAY")
    ] = None,
    by: Annotated[str | None, typer.Option(help="Who tested it.", metavar="NAME")] = None,
    standard: Annotated[
        str | None, typer.Option(help="Standard it was tested by, such as ISO 5173.", metavar="NAME")
    ] = None,
    specimen: Annotated[str | None, typer.Option(help="Specimen.", metavar="NAME")] = None,
    report: Annotated[str | None, typer.Option(help="Number of the test report.", metavar="NAME")] = None,
    photo: Annotated[
        list[Path] | None, typer.Option(help="Photo of the specimen; give it again for more.", metavar="FILE")
    ] = None,
    found: Annotated[str | None, typer.Option(help="What was found.", metavar="WORDS")] = None,
    instead_of: Annotated[
        int | None,
        typer.Option(help="Entry of an earlier result that was wrong; it stays, superseded.", metavar="ENTRY"),
    ] = None,
    why: Annotated[str | None, typer.Option(help="Why the earlier result was wrong.", metavar="WORDS")] = None,
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """Add the result of a bend, break, macro or other test to a weld on record."""
    from toeline.cli.jobs import photos_given
    from toeline.record.models import read_test

    told = read_test(
        kind=kind,
        outcome=outcome,
        date=date.date() if date else None,
        by=by,
        standard=standard,
        specimen=specimen,
        report=report,
        found=found,
    )
    photos = photos_given(photo or ())
    with store_type().open(existing(store)) as opened:
        inspection = opened.numbered(entry)
        wrong = None
        if instead_of is not None:
            wrong = next((one for one in opened.weld(inspection).tests if one.number == instead_of), None)
            if wrong is None:
                raise RecordError(f"Entry {instead_of} is no test result of this weld.")
        made = opened.add_test(
            wrong.inspection if wrong else inspection,
            told,
            photos=photos,
            supersedes=wrong.id if wrong else None,
            why=why,
        )
    say(as_json, made, *_weld_lines(made))


@app.command(rich_help_panel=WELDS)
def procedures(
    file: Annotated[
        Path | None, typer.Argument(help="A welding procedure (TOML) to keep; without one they are listed.")
    ] = None,
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """List the welding procedures on record, or keep one; an earlier one of that name stays, superseded."""
    from toeline.causes.procedure import allowances, load_procedure

    chosen = load_procedure(file) if file else None
    with store_type().open(existing(store) if file is None else store) as opened:
        if chosen is not None:
            opened.keep_procedure(chosen)
        kept = opened.procedures()
    if as_json:
        typer.echo(json.dumps([one.model_dump(mode="json") for one in kept], indent=2, ensure_ascii=False))
        return
    for one in kept:
        typer.echo(f"{one.name}{f', revision {one.revision}' if one.revision else ''}")
        for passes, lines in allowances(one):
            typer.echo(f"  {passes}: {'; '.join(f'{variable.lower()} {allowed}' for variable, allowed in lines)}")
    if not kept:
        typer.echo("No welding procedure is on record. An example: toeline procedure.")


@app.command(rich_help_panel=WELDS)
def continuity(
    welder: Annotated[str | None, typer.Option(help="One welder only.", metavar="NAME")] = None,
    on: Annotated[
        datetime.datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="By this day; today without.", metavar="DAY"),
    ] = None,
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """When each welder last welded in each position, and when that lapses.

    Exit code: 0, or 1 where something has lapsed.
    """
    from toeline.record.continuity import CONFIRMS_NOTHING, rules

    with store_type().open(existing(store)) as opened:
        kept = opened.continuity(on.date() if on else None, welder=welder)
    if welder is not None and not kept:
        raise RecordError(f"No weld of {welder} is on record: look how the name is written there.")
    if as_json:
        typer.echo(json.dumps([one.model_dump(mode="json") for one in kept], indent=2, ensure_ascii=False))
    else:
        typer.echo("\n".join((*map(_kept_line, kept), *rules(), CONFIRMS_NOTHING)))
    if any(one.state == "lapsed" for one in kept):
        raise typer.Exit(1)


def _kept_line(one: Kept) -> str:
    state = {"in force": "lapses", "soon": "LAPSES", "lapsed": "LAPSED"}[one.state]
    accepted = f", last accepted {one.accepted}" if one.accepted else ", none accepted"
    last = f"last {one.last_is} {one.last} (entry {one.number}){accepted}"
    return f"{one.welder}: {one.what}: {last}; {state} {one.lapses}"


@app.command(rich_help_panel=WELDS)
def trend(
    measure: Annotated[str, typer.Argument(help="Id of a measure, such as width_sd, or undercut_per_100mm.")],
    welder: Annotated[str | None, typer.Option(help="One welder only.", metavar="NAME")] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of lengths.")] = "mm",
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """How a measure went from day to day, each joint and rod by itself."""
    from toeline.measures.registry import MEASURES, title_of

    if measure not in MEASURES and measure != "undercut_per_100mm":
        raise RecordError(f"There is no measure {measure!r}; there are {', '.join(MEASURES)}, undercut_per_100mm.")
    with store_type().open(existing(store)) as opened:
        points = [one for one in opened.trend(measure, welder=welder) if one.value is not None]
    if as_json:
        typer.echo(json.dumps([one.model_dump(mode="json") for one in points], indent=2, ensure_ascii=False))
        return
    if not points:
        typer.echo("No inspection on record has that measure.")
    for joint, rod in dict.fromkeys((one.joint, one.electrode_mm) for one in points):
        whose = "rod not said" if rod is None else f"rod {rod_size(rod, unit)}"
        typer.echo(f"{in_unit(title_of(measure), unit)}, {joint}, {whose}")
        for one in points:
            if (one.joint, one.electrode_mm) == (joint, rod):
                typer.echo(f"  {one.at}  entry {one.number}: {_value(one, unit)}")


def _value(one: TrendPoint, unit: Literal["mm", "in"]) -> str:
    from toeline.result import Quantity

    return words(Quantity(value=one.value, U=one.U, unit=one.unit), unit)
