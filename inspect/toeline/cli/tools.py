"""The other subcommands: cards, cameras, criteria, accuracy, coupons, the web app."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text


def card(
    out: Annotated[Path, typer.Argument(help="File to write: PDF or SVG, by its ending.")],
    kind: Annotated[
        Literal["A", "B", "folding"], typer.Option(help="A for the plate, B for a fillet's upright, folding for both.")
    ] = "A",
    paper: Annotated[Literal["a4", "letter", "id1"], typer.Option(help="Paper of a PDF.")] = "a4",
) -> None:
    """Write a printable reference card."""
    from toeline.card_print import print_card

    print_card(kind, paper, out)
    typer.echo(f"{out}: print it at 100 % (no fitting to the page), then measure its 50 mm check line.")


def camera(
    photos: Annotated[
        list[Path], typer.Argument(help="Eight or more photos of the card, tilted and turned differently.")
    ],
    out: Annotated[Path, typer.Option(help="Profile to write (JSON).")],
    name: Annotated[str, typer.Option(help="Name of the camera, as you call it.")] = "camera",
) -> None:
    """Make a camera profile from photos of the card."""
    from toeline.camera import calibrate_camera, save_profile
    from toeline.photo import read_photo

    read = []
    for number, path in enumerate(photos, 1):
        typer.echo(f"{number}/{len(photos)} {path.name}", err=True)
        read.append(read_photo(path))
    profile = calibrate_camera(read, name)
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
    thickness: Annotated[float | None, typer.Option(help="Only the lines that hold for this thickness, mm.")] = None,
    unit: Annotated[Literal["mm", "in"], typer.Option(help="Unit of the limits.")] = "mm",
    base: Annotated[str | None, typer.Option(help="Say how the set differs from this one.")] = None,
) -> None:
    """List acceptance criteria, show one as a table, check a file of your own."""
    from toeline.criteria import criteria_table, differences, list_criteria, load_criteria

    out = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
    if which is None:
        table = Table(box=None, pad_edge=False)
        for head in ("id", "title", "edition"):
            table.add_column(head)
        for one in list_criteria():
            table.add_row(one.id, Text(one.title), Text(one.edition))
        out.print(table)
        return
    chosen = load_criteria(which)
    out.print(Text(f"{chosen.id}: {chosen.title}, {chosen.edition}"))
    rows = criteria_table(chosen, unit, thickness)
    if rows:
        names = list(rows[0].__dataclass_fields__)
        table = Table()
        for head in names:
            table.add_column(head.replace("_", " "), overflow="fold")
        for row in rows:
            table.add_row(*(Text(str(getattr(row, name) or "")) for name in names))
        out.print(table)
    if base is not None:
        for line in differences(chosen, load_criteria(base)):
            out.print(Text(line))
    typer.echo(f"{len(rows)} lines, no fault found; digest {chosen.digest}.")


def accuracy(
    folder: Annotated[Path, typer.Argument(help="Folder of photos, each with its truth file beside it.")],
    json_out: Annotated[Path | None, typer.Option("--json", help="Also write the scoreboard as JSON.")] = None,
    jobs: Annotated[int | None, typer.Option(help="How many photos at a time.", min=1)] = None,
) -> None:
    """How right the measures are on photos whose truth is known."""
    from toeline.accuracy import print_tables, run_accuracy

    board = run_accuracy(folder, jobs=jobs, progress=lambda done, of, name: typer.echo(f"{done}/{of} {name}", err=True))
    print_tables(board, Console(highlight=False, width=None if sys.stdout.isatty() else 140))
    if json_out is not None:
        json_out.write_text(board.to_json() + "\n", "utf-8")


def score(
    folder: Annotated[Path, typer.Argument(help="Folder of coupon photos.")],
    rubric: Annotated[str | None, typer.Option(help="Rubric: a shipped name or a file.")] = None,
    roster: Annotated[Path | None, typer.Option(help="CSV that names the coupons.")] = None,
    reference: Annotated[Path | None, typer.Option(help="Photo of the reference bead.")] = None,
    joint: Annotated[Literal["bead", "butt", "fillet"], typer.Option(help="What was welded.")] = "bead",
    thickness: Annotated[float | None, typer.Option(help="Plate thickness, mm.")] = None,
    check_line: Annotated[float | None, typer.Option(help="Measured length of the card's check line, mm.")] = None,
    electrode: Annotated[float | None, typer.Option(help="Electrode core diameter, mm.")] = None,
    criteria: Annotated[str | None, typer.Option(help="Acceptance criteria, an id or a file.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the class list as CSV.")] = None,
    xlsx: Annotated[Path | None, typer.Option(help="Write the class list as XLSX.")] = None,
    sheets: Annotated[
        Path | None, typer.Option(help="Write a printable coaching sheet for each coupon (one PDF).")
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Measure every photo anew.")] = False,
) -> None:
    """Score a folder of coupons against a rubric; an interrupted batch goes on where it stopped."""
    from contextlib import ExitStack

    from toeline.coupons import Memory, score_folder, to_csv, to_frame, to_xlsx
    from toeline.record import Store
    from toeline.result import Settings, Welding
    from toeline.roster import read_roster
    from toeline.rubric import load_rubric, shipped_rubrics

    chosen = load_rubric(rubric or shipped_rubrics()[0])
    settings = Settings(
        joint=joint,
        thickness_mm=thickness,
        check_line_mm=check_line,
        criteria=criteria,
        welding=Welding(electrode_mm=electrode),
    )
    with ExitStack() as stack:
        memory: Memory | None = None if forget else stack.enter_context(Store.open())
        scores = score_folder(
            folder,
            chosen,
            settings=settings,
            reference=reference,
            roster=read_roster(roster.read_bytes()) if roster else None,
            memory=memory,
            on_progress=lambda done, of, one: typer.echo(f"{done}/{of} {one.photo}", err=True),
        )
    frame = to_frame(scores)
    typer.echo(frame.to_string(index=False))
    if csv is not None:
        csv.write_bytes(to_csv(scores))
    if xlsx is not None:
        xlsx.write_bytes(to_xlsx(scores))
    if sheets is not None:
        from toeline.coupon_sheets import coupon_sheets
        from toeline.photo import read_photo
        from toeline.picture import draw_picture, encode

        pictures = {
            c.photo: encode(draw_picture(read_photo(folder / c.photo), c.result)) for c in scores.coupons if c.result
        }
        sheets.write_bytes(coupon_sheets(scores, pictures))


def run_app(
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8501,
    host: Annotated[
        str, typer.Option(help="Address to listen on; anything but this machine asks for an access code.")
    ] = "127.0.0.1",
) -> None:
    """Start the web app (needs the app extra)."""
    try:
        from toeline_app import launch
    except ModuleNotFoundError as error:
        typer.echo(f"toeline: {error.name} is not installed; install toeline[app].", err=True)
        raise typer.Exit(2) from None
    launch(port, host)
