"""Checking the record: is every row and every file still what was recorded, and is the chain whole?"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Literal

from sqlalchemy import Connection, RowMapping, select

from toeline.errors import RecordError
from toeline.record import tables as t
from toeline.record.chain import (
    GENESIS,
    commitment,
    decision_content,
    digest,
    entry_digest,
    erasure_content,
    inspection_content,
)
from toeline.record.photos import PhotoFolder, media_type
from toeline.result import Model


class Finding(Model):
    """One thing that is not as it was recorded."""

    kind: Literal["chain", "record", "personal", "photo", "head"]
    where: str
    text: str


class CheckReport(Model):
    """What a check of the store went through and found; ``head`` is the newest entry's digest.

    ``strays`` counts files in the photo folder that no inspection names. ``notes`` say what is worth knowing and is
    no sign of a later change.
    """

    entries: int
    inspections: int
    photos: int
    erased: int
    strays: int
    head: str
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether everything is as it was recorded."""
        return not self.findings


def check_links(entries: Iterable[RowMapping]) -> Iterator[Finding]:
    """Findings about the chain itself: gaps, wrong links, wrong digests."""
    prev, expected = GENESIS, 1
    for entry in entries:
        where = f"entry {entry['seq']}"
        if entry["seq"] != expected:
            yield Finding(kind="chain", where=where, text=f"Entries {expected} to {entry['seq'] - 1} are missing.")
        if entry["prev"] != prev:
            yield Finding(kind="chain", where=where, text="It does not follow from the entry before it.")
        own = entry_digest(*(entry[k] for k in ("seq", "at", "kind", "subject", "content", "prev")))
        if own != entry["digest"]:
            yield Finding(kind="chain", where=where, text="The entry was changed after it was written.")
        prev, expected = entry["digest"], entry["seq"] + 1


def check_contents(connection: Connection, entries: Iterable[RowMapping]) -> Iterator[Finding]:
    """Findings about the recorded rows: each must still be what its entry in the chain covers."""
    entered = {entry["subject"]: entry for entry in entries}
    owners = {row.id: row.inspection_id for row in connection.execute(select(t.decision))}
    known = owners.keys() | set(connection.execute(select(t.inspection.c.id)).scalars())
    commitments: dict[str, dict[str, str]] = {}
    erased: dict[str, list[tuple[str, str]]] = {}
    for row in connection.execute(select(t.personal)).mappings():
        commitments.setdefault(row["subject"], {})[row["field"]] = row["commitment"]
        where = f"inspection {row['inspection_id']}, {row['field']}"
        if row["subject"] not in known:
            yield Finding(kind="personal", where=where, text="The text belongs to nothing that is on record.")
        if row["inspection_id"] != owners.get(row["subject"], row["subject"]):
            yield Finding(kind="personal", where=where, text="The text was moved to another inspection.")
        if row["erasure"] is not None:
            erased.setdefault(row["erasure"], []).append((row["subject"], row["field"]))
        if (row["value"] is None, row["salt"] is None) != (row["erasure"] is not None,) * 2:
            yield Finding(kind="personal", where=where, text="The text is gone, or back, without an erasure on record.")
        elif row["value"] is not None and commitment(row["salt"], row["field"], row["value"]) != row["commitment"]:
            yield Finding(kind="personal", where=where, text="The text was changed after it was recorded.")
    photos: dict[str, list[tuple[int, str]]] = {}
    for row in connection.execute(select(t.inspection_photo).order_by(t.inspection_photo.c.place)).mappings():
        photos.setdefault(row["inspection_id"], []).append((row["place"], row["sha256"]))
    for stray in photos.keys() - known:
        yield Finding(kind="photo", where=f"inspection {stray}", text="There are photos of an unknown inspection.")
    yield from _check_criteria(connection)
    yield from _check_photo_rows(connection)
    measures: dict[str, dict[str, tuple[object, ...]]] = {}
    for row in connection.execute(select(t.measure)).mappings():
        measures.setdefault(row["inspection_id"], {})[row["name"]] = (row["value"], row["U"], row["unit"])
    found: set[str] = set()
    for row in connection.execute(select(t.inspection)).mappings():
        content = inspection_content(
            row, photos.get(row["id"], []), commitments.get(row["id"], {}), row["criteria_digest"]
        )
        found.add(row["id"])
        yield from _compare(entered, f"inspection {row['id']}", row["id"], content)
        if _known_measures(row["result"]) != measures.pop(row["id"], {}):
            text = "The measures kept for searching are not those of its result."
            yield Finding(kind="record", where=f"inspection {row['id']}", text=text)
    for row in connection.execute(select(t.decision)).mappings():
        content = decision_content(row, commitments.get(row["id"], {}))
        found.add(row["id"])
        yield from _compare(entered, f"decision {row['id']}", row["id"], content)
    for stray in measures:
        yield Finding(kind="record", where=f"inspection {stray}", text="There are measures of an unknown inspection.")
    for subject, fields in erased.items():
        found.add(subject)
        yield from _compare(entered, f"erasure {subject}", subject, erasure_content(fields))
    for subject, entry in entered.items():
        if subject not in found:
            yield Finding(kind="record", where=f"{entry['kind']} {subject}", text="It was recorded and is gone.")


def _check_criteria(connection: Connection) -> Iterator[Finding]:
    """Which criteria must be there follows from the inspections that were judged by them."""
    named = set(connection.execute(select(t.inspection.c.criteria_digest).distinct()).scalars()) - {None}
    there = {row.digest: row.text for row in connection.execute(select(t.criteria))}
    for one in sorted(named | there.keys()):
        where = f"criteria {one[:12]}"
        if one not in there:
            yield Finding(kind="record", where=where, text="The criteria that inspections were judged by are gone.")
        elif one not in named:
            yield Finding(kind="record", where=where, text="The criteria are named by no inspection.")
        elif digest(there[one].encode()) != one:
            yield Finding(kind="record", where=where, text="The criteria were changed.")


def _check_photo_rows(connection: Connection) -> Iterator[Finding]:
    """Which photos must be there follows from the inspections that name them."""
    named = named_photos(connection)
    there = set(connection.execute(select(t.photo.c.sha256)).scalars())
    for one in sorted(named - there):
        yield Finding(kind="photo", where=f"photo {one[:12]}", text="An inspection names it, and its row is gone.")
    for one in sorted(there - named):
        yield Finding(kind="photo", where=f"photo {one[:12]}", text="It is named by no inspection.")


def named_photos(connection: Connection) -> frozenset[str]:
    """The digests of every photo that an inspection names: these are kept, and must be there."""
    return frozenset(connection.execute(select(t.inspection_photo.c.sha256).distinct()).scalars())


def check_photos(connection: Connection, folder: PhotoFolder) -> Iterator[Finding]:
    """Findings about the photos' files: each that an inspection names must be there, and be what was recorded."""
    rows = {row.sha256: (row.size, row.media_type) for row in connection.execute(select(t.photo))}
    for sha256 in sorted(named_photos(connection) | rows.keys()):
        where = f"photo {sha256[:12]}"
        try:
            data = folder.read(sha256)
        except RecordError as error:
            yield Finding(kind="photo", where=where, text=str(error))
            continue
        if sha256 in rows and rows[sha256] != (len(data), media_type(data)):
            yield Finding(kind="photo", where=where, text="Its size or kind was changed.")


def clock_notes(entries: Sequence[RowMapping]) -> Iterator[str]:
    """A note for each entry that bears an earlier time than the one before it."""
    for before, entry in pairwise(entries):
        if entry["at"] < before["at"]:
            yield (
                f"Entry {entry['seq']} bears an earlier time than entry {before['seq']}: the clock of the machine was "
                "set back, or machines disagree. The order of the entries holds."
            )


def _known_measures(result: str) -> dict[str, tuple[object, ...]]:
    """What the measures' table must hold for a result's JSON text; nothing where that text is broken."""
    try:
        measures = json.loads(result)["measures"]
        known = {name: one for name, one in measures.items() if one["value"] is not None}
        return {name: (one["value"], one["U"], one["unit"]) for name, one in known.items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}


def _compare(entered: Mapping[str, RowMapping], where: str, subject: str, content: str) -> Iterator[Finding]:
    entry = entered.get(subject)
    if entry is None:
        yield Finding(kind="record", where=where, text="It has no entry in the chain.")
    elif entry["content"] != content:
        yield Finding(kind="record", where=where, text="It was changed after it was recorded.")
