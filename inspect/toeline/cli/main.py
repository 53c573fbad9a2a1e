"""The ``toeline`` command and its subcommands."""

from __future__ import annotations

import io
import sys
from typing import Annotated

import typer

from toeline import __version__
from toeline.cli import classes, tools, welds
from toeline.cli.measuring import BUG, measure
from toeline.cli.plain_help import plain
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
for panel, commands in {
    "A weld": (measure, relief, tools.criteria, tools.procedure, tools.noticed),
    "The photo's scale": (tools.card, tools.camera),
    "A class": (classes.score, classes.rubric, classes.drills, classes.compare, classes.agree, classes.wall_chart),
    "More": (tools.accuracy,),
}.items():
    for command in commands:
        app.command(rich_help_panel=panel)(command)
app.command("app", rich_help_panel="More")(tools.run_app)
app.add_typer(welds.app, name="record", rich_help_panel="More")


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
        plain(typer.main.get_command(app))()
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except KeyboardInterrupt:
        sys.stderr.write("toeline: stopped.\n")
        sys.exit(130)
    except Exception as error:
        sys.stderr.write(f"toeline: {one_line(told(error, 'this command'))}\n")
        sys.exit(2 if isinstance(error, (ToelineError, OSError)) else BUG)
