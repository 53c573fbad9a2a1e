"""Where the outputs of a measurement go, and what may not be written over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from toeline.text import shown_path

_PICTURES = (".jpg", ".jpeg", ".png")


@dataclass(frozen=True, slots=True)
class Outputs:
    """What the user named for each output: a file for one photo, a folder for several; None where not wanted."""

    json: Path | None
    picture: Path | None
    report: Path | None
    table: Path | None
    force: bool

    def check(self, photos: Sequence[str]) -> None:
        """Refuse names that say something else than they hold, and whatever would be written over; make the folders.

        Raises:
            typer.BadParameter: one of these.
        """
        for name, path, endings in self._named():
            many = len(photos) > 1 and name != "--parquet"
            if many and path.suffix.lower() in (*endings, ".pdf", ".json") and not path.is_dir():
                folder = shown_path(path.with_suffix(""))
                raise typer.BadParameter(
                    f"{shown_path(path)} is the name of one file; for several photos name a folder, such as {folder}.",
                    param_hint=name,
                )
            if not many and endings and path.suffix.lower() not in endings:
                raise typer.BadParameter(f"{shown_path(path)} does not end in {' or '.join(endings)}.", param_hint=name)
            if not many and path.is_dir():
                raise typer.BadParameter(f"{shown_path(path)} is a folder; name a file.", param_hint=name)
            _make(path if many else path.parent, name)
        if len(photos) > 1 and (self.json or self.picture or self.report):
            _refuse_twins(photos)
        self._spare(photos)

    def of(self, photo: str, many: bool) -> tuple[Path | None, Path | None, Path | None]:
        """The JSON, picture and report of one photo: what the user named, or under its stem in the folder named."""
        named = ((self.json, ".json"), (self.picture, ".jpg"), (self.report, ".pdf"))
        json, picture, report = (
            path / f"{_stem(photo)}{ending}" if path is not None and many else path for path, ending in named
        )
        return json, picture, report

    def _named(self) -> list[tuple[str, Path, tuple[str, ...]]]:
        wanted = (
            ("--json", self.json, ()),
            ("--picture", self.picture, _PICTURES),
            ("--report", self.report, (".pdf",)),
            ("--parquet", self.table, ()),
        )
        return [(name, path, endings) for name, path, endings in wanted if path is not None]

    def _spare(self, photos: Sequence[str]) -> None:
        """A photo that is measured is never written over; another file only where the user says so."""
        targets = [self.table, *(path for photo in photos for path in self.of(photo, len(photos) > 1))]
        spare(targets, [Path(photo) for photo in photos if photo != "-"], self.force)


def spare(targets: Iterable[Path | None], given: Iterable[Path], force: bool) -> None:
    """What was given to a command is never written over; another file only with ``force``.

    Raises:
        typer.BadParameter: one of the ``targets`` would be.
    """
    inputs = {path.resolve() for path in given}
    for path in targets:
        if path is None or not path.is_file():
            continue
        if path.resolve() in inputs:
            raise typer.BadParameter(f"{shown_path(path)} is what the command reads; name another file.")
        if not force:
            raise typer.BadParameter(f"{shown_path(path)} is there already; name another, or add --force.")


def _stem(photo: str) -> str:
    """What a photo's outputs are named after."""
    return "photo" if photo == "-" else Path(photo).stem


def _refuse_twins(photos: Sequence[str]) -> None:
    stem, times = Counter(_stem(photo) for photo in photos).most_common(1)[0]
    if times > 1:
        raise typer.BadParameter(
            f"two photos are named {shown_path(stem)}, and one's output would replace the other's; measure them apart.",
            param_hint="PHOTOS",
        )


def _make(folder: Path, name: str) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(
            f"{shown_path(folder)} cannot be made a place to write to ({error.strerror}).", param_hint=name
        ) from None
