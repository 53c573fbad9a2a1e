"""``toeline record``: look after the inspector's record."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toeline.errors import RecordError
from toeline.files import write_new

if TYPE_CHECKING:
    from pydantic import BaseModel

    from toeline.record import CheckReport, Hit, Receipt, Store

app = typer.Typer(
    help="Look welds up, add later tests, keep procedures; check, back up, restore and tidy; export or erase a person.",
    no_args_is_help=True,
)

#: The groups of commands in the help.
WELDS, KEEPING, PEOPLE = "Welds", "Keeping the record", "People"

Where = Annotated[
    str | None,
    typer.Option(
        "--store",
        help="Folder, file or URL of the record; your own by default. A new path without an ending becomes a folder.",
        envvar="TOELINE_STORE",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of sentences.")]
_Name = Annotated[str, typer.Argument(help="The person's name; case, accents and the words' order do not matter.")]


def store_type() -> type[Store]:
    """The store, loaded when it is asked for: the other commands need no database."""
    from toeline.record import Store

    return Store


def existing(where: str | None) -> str | None:
    """The place of a record that is there: looking after one must not make an empty one at a mistyped path.

    Raises:
        RecordError: there is none.
    """
    from toeline.record.database import default_store

    target = where or default_store()
    if not _is_there(target):
        path = Path(target).expanduser()
        raise RecordError(f"There is no record at {path}; name its folder, file or URL with --store.")
    return where


def _is_there(target: str) -> bool:
    from toeline.record.database import FILE

    path = Path(target).expanduser()
    return "://" in target or path.is_file() or (path / FILE).is_file()


def say(as_json: bool, model: BaseModel, *lines: str) -> None:
    """Print one JSON document, or the sentences."""
    typer.echo(model.model_dump_json(indent=2) if as_json else "\n".join(lines))


def count(number: int, one: str, many: str | None = None) -> str:
    """``1 photo``, ``3 photos``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


@app.command(rich_help_panel=KEEPING)
def check(
    store: Where = None,
    head: Annotated[str | None, typer.Option(help="A head digest noted earlier: the chain must still hold it.")] = None,
    receipt: Annotated[
        Path | None, typer.Option(help="A receipt kept elsewhere: the record must still bear it out.")
    ] = None,
    key: Annotated[
        list[Path] | None,
        typer.Option(help="Key file, of either half: entries must be signed by it. Yours by default, if you have one."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check the digest chain, every row, every photo and every signature."""
    from toeline.record.signing import key_name

    kept = _receipt(receipt) if receipt else None
    keys = [key_name(path) for path in key or ()]
    with store_type().open(existing(store)) as opened:
        found = opened.check(head, receipt=kept, keys=keys)
    say(as_json, found, *_report(found, vouched=bool(head or receipt)))
    if not found.ok:
        raise typer.Exit(1)


def _receipt(path: Path) -> Receipt:
    from toeline.record import Receipt

    try:
        return Receipt.read(path.read_text("utf-8", "replace"))
    except OSError as error:
        raise RecordError(f"The receipt {path} cannot be read: {error.strerror}.") from None


def _report(found: CheckReport, *, vouched: bool) -> Sequence[str]:
    kinds = (
        count(found.inspections, "inspection"),
        count(found.decisions, "decision"),
        *([count(found.tests, "test")] if found.tests else []),
        *([count(found.procedures, "procedure")] if found.procedures else []),
        count(found.erasures, "erasure"),
    )
    lines = [
        f"{count(found.entries, 'entry', 'entries')}: {', '.join(kinds)}. {count(found.photos, 'photo')}.",
        f"Head: {found.head}",
    ]
    if found.signed:
        lines.append(f"{count(found.signed, 'entry is', 'entries are')} signed by the key.")
    lines += [f"Note: {note}" for note in found.notes]
    if found.strays:
        lines.append(f"Note: {count(found.strays, 'file')} in the photo folder that no inspection names: tidy it.")
    if not found.ok:
        return [*lines, *(f"NOT AS RECORDED: {one.where}: {one.text}" for one in found.findings)]
    if not vouched:
        lines.append("Whether newest entries were cut off shows only against a head or receipt kept elsewhere.")
    return [*lines, "Everything is as it was recorded."]


@app.command(rich_help_panel=KEEPING)
def backup(
    archive: Annotated[Path, typer.Argument(help="Archive to write.")],
    store: Where = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write the whole record into one archive and see that it can be restored."""
    with store_type().open(existing(store)) as opened:
        made = opened.backup(archive, overwrite=force)
    what = f"{count(made.inspections, 'inspection')} and {count(made.photos, 'photo')}"
    say(as_json, made, f"{made.path} holds {what}, and can be restored.", f"Head: {made.head}")


@app.command(rich_help_panel=KEEPING)
def restore(
    archive: Annotated[Path, typer.Argument(help="Archive to read.")], store: Where = None, as_json: AsJson = False
) -> None:
    """Restore an archive into an empty store, verifying it."""
    made = store_type().restore(archive, store)
    what = f"{count(made.inspections, 'inspection')} and {count(made.photos, 'photo')}"
    say(as_json, made, f"Restored {what} from {archive}.", f"Head: {made.head}")


@app.command(rich_help_panel=KEEPING)
def tidy(
    store: Where = None,
    keep_days: Annotated[float, typer.Option(help="How long files stay in quarantine before they go.", min=0)] = 90,
    as_json: AsJson = False,
) -> None:
    """Set files aside that no inspection names, and let go of those set aside long ago."""
    with store_type().open(existing(store)) as opened:
        done = opened.tidy(keep_days=keep_days)
        place = opened.quarantine
    say(
        as_json,
        done,
        f"{count(done.set_aside, 'file')} set aside in {place}, {done.brought_back} brought back, "
        f"{done.let_go} deleted that had been there for {keep_days:g} days.",
    )


@app.command(rich_help_panel=PEOPLE)
def export(name: _Name, store: Where = None) -> None:
    """Everything the record holds about a person, as JSON."""
    with store_type().open(existing(store)) as opened:
        typer.echo(json.dumps(opened.export_person(name), indent=2, ensure_ascii=False))


@app.command(rich_help_panel=PEOPLE)
def erase(
    name: _Name,
    store: Where = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    as_json: AsJson = False,
) -> None:
    """Erase a person from the record: shows what was found, and asks. Inspections and chain stay."""
    with store_type().open(existing(store)) as opened:
        if not yes:
            found = opened.find_person(name)
            typer.echo("\n".join(map(_hit, found)), err=True)
            able = sum(not one.kept_because for one in found)
            typer.confirm(f"{count(able, 'text')} will go for good. Erase?", abort=True, err=True)
        erased = opened.erase_person(name)
    went = f"{count(erased.fields, 'text')} and the data of {count(erased.photos, 'photo')}"
    lines = [f"Erased {went}, in {count(erased.inspections, 'inspection')}. The chain is whole."]
    lines += [f"STILL THERE: {_hit(one)}" for one in erased.kept]
    say(as_json, erased, *lines, *erased.notes)
    if erased.kept:
        raise typer.Exit(1)


def _hit(one: Hit) -> str:
    kept = f" (cannot be erased: {one.kept_because})" if one.kept_because else ""
    return f"Entry {one.number}, {one.field}: {one.text}{kept}"


@app.command(rich_help_panel=KEEPING)
def receipt(
    file: Annotated[Path | None, typer.Argument(help="File to write; printed without.")] = None,
    store: Where = None,
    as_json: AsJson = False,
) -> None:
    """A receipt of how far the record has come, to be kept away from it: print it, or mail it."""
    with store_type().open(existing(store)) as opened:
        made = opened.receipt()
    if file is None:
        say(as_json, made, made.text())
        return
    try:
        write_new(file, made.text())
    except FileExistsError:
        raise RecordError(f"There is a file {file} already: give another name.") from None
    except OSError as error:
        raise RecordError(f"The receipt {file} cannot be written: {error.strerror}.") from None
    say(as_json, made, f"{file} vouches for {count(made.entries, 'entry', 'entries')}: keep it elsewhere.")


@app.command(rich_help_panel=KEEPING)
def key(
    file: Annotated[Path | None, typer.Argument(help="Key file to write; by default where it is found again.")] = None,
    store: Where = None,
) -> None:
    """Make a key that signs what is on record, and from now on each new entry; it must lie outside the record."""
    from toeline.record.database import default_store
    from toeline.record.signing import make_key, own_key

    path = (file or own_key()).expanduser().absolute()
    target = store or default_store()
    if "://" not in target:
        record = Path(target).expanduser().absolute()
        if path.is_relative_to(record.parent if record.suffix else record):
            raise RecordError(
                "The key must lie outside the record's folder: whoever changes one must not find the other."
            )
    public, name = make_key(path)
    if _is_there(target):
        with store_type().open(store) as opened:
            opened.sign_newest(path)
    typer.echo(f"{path} signs what is recorded from now on" + (": set TOELINE_KEY to it." if file else "."))
    typer.echo(f"Keep {public} elsewhere, for toeline record check --key. The key: {name}")
