"""The ``toeline`` command and its subcommands."""

from __future__ import annotations

import io
import sys
from typing import Annotated

import typer

from toeline import __version__
from toeline.cli import classes, records, tools
from toeline.cli.measuring import BUG, measure
from toeline.cli.relief import relief
from toeline.errors import ToelineError, told
from toeline.text import one_line

app = typer.Typer(
    name="toeline",
    help="Measure and judge a cleaned weld bead from one photo with a printed card beside it.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
app.command()(measure)
app.command()(relief)
app.command()(tools.card)
app.command()(tools.camera)
app.command()(tools.criteria)
app.command()(tools.noticed)
app.command()(tools.procedure)
app.command()(tools.accuracy)
app.command()(classes.rubric)
app.command()(classes.score)
app.command()(classes.agree)
app.command()(classes.drills)
app.command("app")(tools.run_app)
app.add_typer(records.app, name="record")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"toeline {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.", metavar="")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line: one sentence and a non-zero exit for what goes wrong, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot show stops nothing
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except KeyboardInterrupt:
        sys.stderr.write("toeline: stopped.\n")
        sys.exit(130)
    except Exception as error:
        sys.stderr.write(f"toeline: {one_line(told(error, 'this command'))}\n")
        sys.exit(2 if isinstance(error, (ToelineError, OSError)) else BUG)
