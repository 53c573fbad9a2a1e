"""Checking the record: is every row and every file still what was recorded, and is the chain whole?"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Literal

from sqlalchemy import Connection, RowMapping, select

from toeline.errors import RecordError
from toeline.record import tables as t
from toeline.record.chain import (
    FORM,
    GENESIS,
    WORDS,
    commitment,
    decision_content,
    digest,
    entry_digest,
    erasure_content,
    inspection_content,
    procedure_content,
    test_content,
)
from toeline.record.erasing import where_photos_lie
from toeline.record.photos import PhotoFolder, media_type
from toeline.record.receipt import Receipt
from toeline.record.signing import check_signatures
from toeline.result import Model


class Finding(Model):
    """One thing that is not as it was recorded."""

    kind: Literal["chain", "record", "personal", "photo", "signature", "head"]
    where: str
    text: str


class CheckReport(Model):
    """What a check of the store went through and found; ``head`` is the newest entry's digest.

    ``entries`` are the inspections, decisions, tests, procedures and erasures together, ``signed`` those whose
    signature was verified with a key that was given. ``strays`` counts files in the photo folder that no inspection
    names. ``notes`` say what is worth knowing and is no sign of a later change.
    """

    entries: int
    inspections: int
    decisions: int
    tests: int
    procedures: int
    erasures: int
    photos: int
    erased: int
    signed: int
    strays: int
    head: str
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether everything is as it was recorded."""
        return not self.findings


def check_record(
    connection: Connection,
    folder: PhotoFolder,
    *,
    head: str | None = None,
    receipt: Receipt | None = None,
    keys: Sequence[str] = (),
) -> CheckReport:
    """Go through everything. ``head`` must be in the chain, the chain must bear ``receipt`` out, ``keys`` have signed.

    ``keys`` are public ones in hex.
    """
    entries = connection.execute(select(t.ledger).order_by(t.ledger.c.seq)).mappings().all()
    digests = {entry["seq"]: entry["digest"] for entry in entries}
    signatures = {row.seq: (row.key, row.since, row.value) for row in connection.execute(select(t.signature))}
    lies = where_photos_lie(connection)
    erased = connection.execute(select(t.personal.c.field).where(t.personal.c.erasure.is_not(None))).all()
    store_id = connection.execute(select(t.store_info.c.id)).scalars().all()
    findings = [
        *check_links(entries),
        *check_contents(connection, entries),
        *_check_photos(connection, folder, lies),
        *(
            Finding(kind="signature", where=where, text=text)
            for where, text in check_signatures(digests, signatures, keys)
        ),
    ]
    if head is not None and head.strip().lower() not in digests.values():
        text = "The chain does not hold this digest: entries were cut off or written anew, or it is another record's."
        findings.append(Finding(kind="head", where=head.strip()[:12], text=text))
    if receipt is not None:
        findings.extend(_check_receipt(receipt, digests, store_id, keys))
    notes = [*_clock_notes(entries)]
    if signatures and not keys:
        notes.append("The signatures show damage only: give the key, kept away from the record, to rule out forgery.")
    kinds = Counter(entry["kind"] for entry in entries)
    return CheckReport(
        entries=len(entries),
        inspections=kinds["inspection"],
        decisions=kinds["decision"],
        tests=kinds["test"],
        procedures=kinds["procedure"],
        erasures=kinds["erasure"],
        photos=len(lies),
        erased=len(erased),
        signed=sum(key in keys for key, *_ in signatures.values()),
        strays=len(folder.strays(frozenset(lies.values()))),
        head=entries[-1]["digest"] if entries else GENESIS,
        findings=tuple(findings),
        notes=tuple(notes),
    )


def _check_receipt(
    receipt: Receipt, digests: Mapping[int, str], store_id: Sequence[str], keys: Sequence[str]
) -> Iterator[Finding]:
    where = f"receipt of {receipt.made_at[:10]}"
    if not receipt.genuine:
        yield Finding(kind="signature", where=where, text="The receipt's own signature is wrong: its text was changed.")
    elif keys and receipt.key not in keys:
        yield Finding(kind="signature", where=where, text="The receipt is not signed by this key.")
    if receipt.entries and digests.get(receipt.entries) != receipt.head:
        other = "" if receipt.record in store_id else " Or it is another record's receipt, or this one was restored."
        text = f"Entry {receipt.entries} is not the one of the receipt: entries were cut off or written anew.{other}"
        yield Finding(kind="head", where=where, text=text)


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
    owners = {
        row.id: row.inspection_id for table in (t.decision, t.weld_test) for row in connection.execute(select(table))
    }
    known = owners.keys() | set(connection.execute(select(t.inspection.c.id)).scalars())
    commitments: dict[str, dict[str, str]] = {}
    words: dict[str, dict[str, str | None]] = {}
    erased: dict[str, list[tuple[str, str]]] = {}
    for row in connection.execute(select(t.personal)).mappings():
        commitments.setdefault(row["subject"], {})[row["field"]] = row["commitment"]
        words.setdefault(row["subject"], {})[row["field"]] = row["value"]
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
    for row in connection.execute(select(t.replaced_photo)).mappings():
        erased.setdefault(row["erasure"], []).append((row["sha256"], row["stand_in"]))
    photos: dict[str, list[tuple[int, str]]] = {}
    for table, owner in ((t.inspection_photo, "inspection_id"), (t.test_photo, "test_id")):
        for row in connection.execute(select(table).order_by(table.c.place)).mappings():
            photos.setdefault(row[owner], []).append((row["place"], row["sha256"]))
    for stray in photos.keys() - known:
        yield Finding(kind="photo", where=f"photos of {stray}", text="They belong to nothing that is on record.")
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
        yield from _compare(entered, f"inspection {row['id']}", row["id"], content, "inspection")
        said = words.get(row["id"], {})
        if row["form"] not in (1, FORM):
            yield Finding(kind="record", where=f"inspection {row['id']}", text="It is of a form that there is not.")
        if row["form"] != 1 and any(row[field] != said.get(field) for field in WORDS):
            text = "The words kept for searching are not those that were recorded."
            yield Finding(kind="record", where=f"inspection {row['id']}", text=text)
        if _known_measures(row["result"]) != measures.pop(row["id"], {}):
            text = "The measures kept for searching are not those of its result."
            yield Finding(kind="record", where=f"inspection {row['id']}", text=text)
    for row in connection.execute(select(t.decision)).mappings():
        content = decision_content(row, commitments.get(row["id"], {}))
        found.add(row["id"])
        yield from _compare(entered, f"decision {row['id']}", row["id"], content, "decision")
    for row in connection.execute(select(t.weld_test)).mappings():
        found.add(row["id"])
        content = test_content(row, photos.get(row["id"], []), commitments.get(row["id"], {}))
        yield from _compare(entered, f"test {row['id']}", row["id"], content, "test")
    for row in connection.execute(select(t.procedure)).mappings():
        found.add(row["id"])
        yield from _compare(entered, f"procedure {row['name']}", row["id"], procedure_content(row), "procedure")
    for stray in measures:
        yield Finding(kind="record", where=f"inspection {stray}", text="There are measures of an unknown inspection.")
    for subject, fields in erased.items():
        found.add(subject)
        yield from _compare(entered, f"erasure {subject}", subject, erasure_content(fields), "erasure")
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
    named = set(where_photos_lie(connection))
    there = set(connection.execute(select(t.photo.c.sha256)).scalars())
    for one in sorted(named - there):
        yield Finding(kind="photo", where=f"photo {one[:12]}", text="An inspection names it, and its row is gone.")
    for one in sorted(there - named):
        yield Finding(kind="photo", where=f"photo {one[:12]}", text="It is named by no inspection.")


def _check_photos(connection: Connection, folder: PhotoFolder, lies: Mapping[str, str]) -> Iterator[Finding]:
    """Findings about the photos' files: each that an inspection names must be there, and be what was recorded."""
    rows = {row.sha256: (row.size, row.media_type) for row in connection.execute(select(t.photo))}
    for sha256 in sorted(lies.keys() | rows.keys()):
        where = f"photo {sha256[:12]}"
        try:
            data = folder.read(lies.get(sha256, sha256))
        except RecordError as error:
            yield Finding(kind="photo", where=where, text=str(error))
            continue
        if sha256 in rows and rows[sha256] != (len(data), media_type(data)):
            yield Finding(kind="photo", where=where, text="Its size or kind was changed.")
    kept = set(lies.values())
    for row in connection.execute(select(t.replaced_photo)):
        if row.sha256 not in kept and folder.holds(row.sha256):
            text = "The original, which names a person who was erased, is there: tidy the record."
            yield Finding(kind="photo", where=f"photo {row.sha256[:12]}", text=text)


def _clock_notes(entries: Sequence[RowMapping]) -> Iterator[str]:
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


def _compare(entered: Mapping[str, RowMapping], where: str, subject: str, content: str, kind: str) -> Iterator[Finding]:
    entry = entered.get(subject)
    if entry is None:
        yield Finding(kind="record", where=where, text="It has no entry in the chain.")
    elif entry["content"] != content or entry["kind"] != kind:
        yield Finding(kind="record", where=where, text="It was changed after it was recorded.")
