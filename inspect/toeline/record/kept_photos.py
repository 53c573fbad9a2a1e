"""Photos of an inspection or of a later test as rows of the record: taken into the folder, and read back."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from sqlalchemy import Column, Connection, Table, select

from toeline.errors import RecordError
from toeline.record import chain
from toeline.record import tables as t
from toeline.record.models import StoredPhoto
from toeline.record.photos import UNKNOWN_KIND, PhotoFolder, media_type

#: Photos as (name, bytes).
Files = Sequence[tuple[str, bytes]]


def named_as(connection: Connection, files: Files) -> list[str]:
    """The digests under which the record names these photos. Raises ``RecordError`` where one is there twice."""
    replaced = {row.stand_in: row.sha256 for row in connection.execute(select(t.replaced_photo))}
    shas = []
    for _, data in files:
        sha256 = chain.digest(data)
        while sha256 in replaced:  # a copy without a name leads to the original
            sha256 = replaced[sha256]
        shas.append(sha256)
    if len(set(shas)) != len(shas):
        raise RecordError("The same photo was given twice.")
    return shas


def take(
    connection: Connection, folder: PhotoFolder, files: Files, shas: Sequence[str], staged: Mapping[str, Path]
) -> None:
    """Move the photos, staged by digest, to their places, and name them in the table of photos."""
    for sha256, (_, data) in zip(shas, files, strict=True):
        if connection.execute(select(t.replaced_photo).where(t.replaced_photo.c.sha256 == sha256)).first():
            continue  # the original was erased, and its copy without the name is here already
        folder.adopt(staged[chain.digest(data)])
        if not connection.execute(select(t.photo.c.sha256).where(t.photo.c.sha256 == sha256)).first():
            connection.execute(t.photo.insert().values(sha256=sha256, size=len(data), media_type=media_type(data)))


def names_text(files: Files) -> str:
    """The photos' file names as the personal text that is kept of them."""
    return json.dumps([name for name, _ in files], ensure_ascii=False)


def read_back(
    connection: Connection, table: Table, owner: Column[str], subject: str, names: str | None
) -> tuple[StoredPhoto, ...]:
    """The photos that ``table`` names for one inspection or test, in their places, with what they were called."""
    rows = connection.execute(
        select(table.c.sha256, t.photo.c.size, t.photo.c.media_type)
        .outerjoin(t.photo, table.c.sha256 == t.photo.c.sha256)
        .where(owner == subject)
        .order_by(table.c.place)
    ).mappings()
    called = json.loads(names) if names else None
    return tuple(
        StoredPhoto(
            sha256=row["sha256"],
            size=row["size"] or 0,
            media_type=row["media_type"] or UNKNOWN_KIND,
            name=called[k] if called else None,
        )
        for k, row in enumerate(rows)
    )
