"""``toeline record``: look after the inspector's record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toeline.errors import RecordError

if TYPE_CHECKING:
    from toeline.record import Store

app = typer.Typer(help="Check, back up and restore the record; export or erase a person.", no_args_is_help=True)

_Where = Annotated[
    str | None,
    typer.Option(
        "--store",
        help="Folder, file or URL of the record; your own by default. A new path without an ending becomes a folder.",
        envvar="TOELINE_STORE",
    ),
]


def _store() -> type[Store]:
    """The store, loaded when it is asked for: the other commands need no database."""
    from toeline.record import Store

    return Store


def _existing(where: str | None) -> str | None:
    """The place of a record that is there: looking after one must not make an empty one at a mistyped path.

    Raises:
        RecordError: there is none.
    """
    from toeline.record.store import FILE, default_store

    target = where or default_store()
    path = Path(target).expanduser()
    if "://" not in target and not path.is_file() and not (path / FILE).is_file():
        raise RecordError(f"There is no record at {path}; name its folder, file or URL with --store.")
    return where


@app.command()
def check(
    store: _Where = None,
    head: Annotated[str | None, typer.Option(help="A head digest noted earlier: the chain must still hold it.")] = None,
) -> None:
    """Check the digest chain and every photo."""
    with _store().open(_existing(store)) as opened:
        found = opened.check(head)
    typer.echo(found.model_dump_json(indent=2))
    if not found.ok:
        raise typer.Exit(1)


@app.command()
def backup(archive: Annotated[Path, typer.Argument(help="Archive to write.")], store: _Where = None) -> None:
    """Write the whole record into one archive and verify it."""
    with _store().open(_existing(store)) as opened:
        typer.echo(opened.backup(archive).model_dump_json(indent=2))


@app.command()
def restore(archive: Annotated[Path, typer.Argument(help="Archive to read.")], store: _Where = None) -> None:
    """Restore an archive into an empty store, verifying it."""
    typer.echo(_store().restore(archive, store).model_dump_json(indent=2))


@app.command()
def export(
    name: Annotated[str, typer.Argument(help="The person's name as it stands in the record.")], store: _Where = None
) -> None:
    """Everything the record holds about a person, as JSON."""
    with _store().open(_existing(store)) as opened:
        typer.echo(json.dumps(opened.export_person(name), indent=2, ensure_ascii=False))


@app.command()
def erase(
    name: Annotated[str, typer.Argument(help="The person's name as it stands in the record.")],
    store: _Where = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Erase a person's name from the record; inspections and chain stay."""
    if not yes:
        typer.confirm("The name goes for good. Erase it?", abort=True)
    with _store().open(_existing(store)) as opened:
        typer.echo(opened.erase_person(name).model_dump_json(indent=2))
