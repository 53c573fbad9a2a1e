"""The other subcommands: cards, cameras, criteria, accuracy, the web app."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from toeline.cli.outputs import spare
from toeline.errors import SettingsError
from toeline.files import write_new, write_whole


def card(
    out: Annotated[Path, typer.Argument(help="File to write: PDF or SVG, by its ending.")],
    kind: Annotated[
        Literal["a", "b", "fold"],
        typer.Option(
            help="A for the plate, B for a fillet's upright, fold for both on one sheet.", case_sensitive=False
        ),
    ] = "a",
    paper: Annotated[
        Literal["a4", "letter", "id-1"], typer.Option(help="Paper of a PDF.", case_sensitive=False)
    ] = "a4",
) -> None:
    """Write a printable reference card."""
    from toeline.geometry.card_print import print_card

    print_card(kind if kind == "fold" else kind.upper(), paper, out)
    typer.echo(
        f"{out}: print it at 100 %, without fit to page, then measure its 50 mm check line and give that length."
    )


def camera(
    photos: Annotated[
        list[Path], typer.Argument(help="Eight or more photos of the card, tilted and turned differently.")
    ],
    out: Annotated[Path, typer.Option(help="Profile to write (JSON).")],
    name: Annotated[str, typer.Option(help="Name of the camera, as you call it.")] = "camera",
) -> None:
    """Make a camera profile from photos of the card."""
    from toeline.cli.jobs import cards_in
    from toeline.geometry.camera import calibrate_from_cards, save_profile

    spare((out,), photos, force=True)
    seen = []
    for number, one in enumerate(cards_in(photos), 1):
        typer.echo(f"{number}/{len(photos)} {one.name}", err=True)
        seen.append(one)
    profile = calibrate_from_cards(seen, name)
    save_profile(profile, out)
    focal, _, _, k1, k2 = profile.parameters
    typer.echo(
        f"{out}: focal length {focal:.1f} px, k1 {k1:.4f}, k2 {k2:.4f}, "
        f"reprojection error {profile.reprojection_rms_px:.2f} px over {profile.photos} photos."
    )


def criteria(
    which: Annotated[
        str | None, typer.Argument(help="An id or a file; without one, all shipped sets are listed.")
    ] = None,
    thickness: Annotated[
        str | None,
        typer.Option(help="Only the lines that hold for this plate thickness, in the unit.", metavar="LENGTH"),
    ] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of the limits.")] = "mm",
    copy: Annotated[
        Path | None, typer.Option(help="Write a file that rests on this set, to be changed and given to --criteria.")
    ] = None,
    readings: Annotated[
        bool,
        typer.Option(
            "--gauges", help="List what can be gauged or stated, with the uncertainty taken for it.", metavar=""
        ),
    ] = False,
) -> None:
    """List acceptance criteria, show one as a table, check a file of your own, copy one to change it."""
    from toeline.criteria import criteria_table, differences, list_criteria, load_criteria, own_copy, symbols
    from toeline.settings import settings_from

    out = Console(highlight=False, soft_wrap=True)
    if readings:
        _list_gauges(out, unit)
        return
    if which is None:
        if copy is not None:
            raise typer.BadParameter("name the set to copy, such as iso5817-2023-c.", param_hint="--copy")
        for one in list_criteria():
            out.print(Text(f"{one.id:<18} {one.title}, {one.edition}"))
        out.print("Show one: toeline criteria ID. Copy one to change it: toeline criteria ID --copy FILE.toml")
        return
    chosen = load_criteria(which)
    if copy is not None:
        _write_new(copy, own_copy(chosen))
        typer.echo(f"{copy}: rests on {chosen.id}; change it, then check it: toeline criteria {copy}")
        return
    mm = settings_from(thickness=thickness, unit=unit).thickness_mm
    rows = criteria_table(chosen, unit, mm)
    table = Table()
    for head in ("id", "imperfection", "limit", "evidence", "source"):
        table.add_column(head, overflow="fold")
    for row in rows:
        what = "\n".join(part for part in (row.imperfection, row.joints, row.when, row.note) if part)
        table.add_row(*(Text(cell) for cell in (row.id, what, row.limit, row.evidence, row.source)))
    out.print(Text(f"{chosen.id}: {chosen.title}, {chosen.edition}"))
    out.print(table, soft_wrap=False)
    if meanings := symbols(chosen):
        out.print(Text(f"Where {'; '.join(meanings)}."))
    for name, meaning in chosen.conditions.items():
        out.print(Text(f"Say with --condition {name}=yes or =no: {meaning}."))
    for caution in chosen.cautions:
        out.print(Text(caution))
    if chosen.base is not None:
        for line in differences(chosen, load_criteria(chosen.base)):
            out.print(Text(f"Differs from {chosen.base}: {line}"))
    typer.echo(f"{len(rows)} lines, no fault found; digest {chosen.digest}.")


def noticed(
    joint: Annotated[Literal["bead", "butt", "fillet"], typer.Option(help="What is welded.")] = "bead",
) -> None:
    """List what can be noticed while welding, for the coach: NAME=STATE of toeline measure --noticed."""
    from toeline.causes.chart import chart

    out = Console(highlight=False, soft_wrap=True)
    for sign in chart().noticed(joint).values():
        out.print(Text(f"{sign.id}: {sign.ask}", style="bold"))
        for state, says in sign.says.items():
            out.print(Text(f"  {sign.id}={state}  {says}"))


def procedure(
    file: Annotated[
        Path | None, typer.Argument(help="A welding procedure's ranges (TOML); without one an example is printed.")
    ] = None,
) -> None:
    """Check a welding procedure for measure --procedure and say what it allows, or print an example to start from."""
    from toeline.causes.procedure import allowances, load_procedure
    from toeline.datafile import text_of

    if file is None:
        typer.echo(text_of("procedures/example.toml"), nl=False)
        return
    chosen = load_procedure(file)
    typer.echo(f"{chosen.name}{f', revision {chosen.revision}' if chosen.revision else ''}, process {chosen.process}")
    for passes, lines in allowances(chosen):
        typer.echo(passes)
        for variable, allowed in lines:
            typer.echo(f"  {variable}: {allowed}")


def _list_gauges(out: Console, unit: Literal["mm", "in"]) -> None:
    """Every name that measure --gauge takes."""
    from toeline.evidence.gauge import gauges
    from toeline.units import figure

    for gauge in gauges().values():
        if gauge.statement:
            doubt = "count" if gauge.counted else "none" if gauge.covers else "none or yes"
            doubt = "yes or no" if gauge.permission else doubt
        else:
            doubt = f"± {gauge.U:g}°" if gauge.unit == "deg" else f"± {figure(gauge.U, unit)}"
        out.print(Text(f"{gauge.name:<24} {doubt:<12} {gauge.meaning}"))


def _write_new(path: Path, text: str) -> None:
    """Write a text file that is not there yet.

    Raises:
        SettingsError: it is there, or the place cannot be written.
    """
    try:
        write_new(path, text)
    except OSError as error:
        raise SettingsError(f"{path} cannot be written ({error.strerror}); name a new file.") from error


def accuracy(
    folder: Annotated[Path, typer.Argument(help="Folder of photos, each with its truth file beside it.")],
    json_out: Annotated[Path | None, typer.Option("--json", help="Also write the scoreboard as JSON.")] = None,
    jobs: Annotated[int | None, typer.Option(help="How many photos at a time.", min=1)] = None,
    stable: Annotated[
        bool,
        typer.Option(
            "--stable", help="Instead, how far the answers move when a photo is changed a little.", metavar=""
        ),
    ] = False,
) -> None:
    """How right the measures are on photos whose truth is known."""
    from toeline.validation.accuracy import print_tables, run_accuracy
    from toeline.validation.stability import run_stability, stability_json, stability_table

    def progress(done: int, of: int, name: str) -> None:
        typer.echo(f"{done}/{of} {name}", err=True)

    console = Console(highlight=False, width=None if sys.stdout.isatty() else 140)
    if stable:
        moved = run_stability(folder, jobs=jobs, progress=progress)
        console.print(stability_table(moved))
        text = stability_json(moved)
    else:
        board = run_accuracy(folder, jobs=jobs, progress=progress)
        print_tables(board, console)
        text = board.to_json()
    if json_out is not None:
        write_whole(json_out, text + "\n")


def run_app(
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8501,
    host: Annotated[
        str, typer.Option(help="Address to listen on; anything but this machine asks for an access code.")
    ] = "127.0.0.1",
    certificate: Annotated[
        Path | None, typer.Option(help="Certificate to serve HTTPS with, PEM, its chain in one file.")
    ] = None,
    key: Annotated[Path | None, typer.Option(help="The certificate's private key, PEM, without a pass phrase.")] = None,
    behind: Annotated[
        str | None,
        typer.Option(help="Address of the HTTPS proxy in front, as it is opened: the code is then asked for here too."),
    ] = None,
) -> None:
    """Start the web app (needs the app extra)."""
    try:
        from toeline_app import launch
    except ModuleNotFoundError as error:
        typer.echo(f"toeline: {error.name} is not installed; install toeline[app].", err=True)
        raise typer.Exit(2) from None
    launch(port, host, certificate=certificate, key=key, behind=behind)
