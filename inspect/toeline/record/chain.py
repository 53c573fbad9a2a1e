"""The digest chain: every entry covers what was recorded and the entry before it, so a later change is evident.

What a chain alone cannot show is that its newest entries were cut off: the digest printed on a report, kept
elsewhere, shows that (``check`` takes it as ``head``).
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Literal

from sqlalchemy import Connection, RowMapping, select

from toeline.record import tables as t
from toeline.result import Model

#: What the first entry names as the one before it.
GENESIS = "0" * 64

EntryKind = Literal["inspection", "decision", "erasure"]


class Finding(Model):
    """One thing that is not as it was recorded."""

    kind: Literal["chain", "record", "personal", "photo", "head"]
    where: str
    text: str


class CheckReport(Model):
    """What a check of the store went through and found; ``head`` is the newest entry's digest."""

    entries: int
    inspections: int
    photos: int
    erased: int
    head: str
    findings: tuple[Finding, ...]

    @property
    def ok(self) -> bool:
        """Whether everything is as it was recorded."""
        return not self.findings


def canonical(value: object) -> bytes:
    """The one byte form of a JSON value that digests are taken of."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def digest(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def entry_digest(seq: int, at: str, kind: str, subject: str, content: str, prev: str) -> str:
    """The digest of one entry of the chain."""
    return digest(canonical({"seq": seq, "at": at, "kind": kind, "subject": subject, "content": content, "prev": prev}))


def commitment(salt: str, field: str, value: str) -> str:
    """Salted digest of one personal field: says later whether the text was changed, tells nothing of it once erased."""
    return digest(canonical([salt, field, value]))


def new_salt() -> str:
    """A fresh random salt of 256 bits."""
    return secrets.token_hex(32)


def append(connection: Connection, at: str, kind: EntryKind, subject: str, content: str) -> None:
    """Add an entry at the chain's end. The caller holds the store's write lock."""
    last = connection.execute(
        select(t.ledger.c.seq, t.ledger.c.digest).order_by(t.ledger.c.seq.desc()).limit(1)
    ).first()
    seq, prev = (last.seq + 1, last.digest) if last else (1, GENESIS)
    connection.execute(
        t.ledger.insert().values(
            seq=seq,
            at=at,
            kind=kind,
            subject=subject,
            content=content,
            prev=prev,
            digest=entry_digest(seq, at, kind, subject, content, prev),
        )
    )


def inspection_content(
    row: Mapping[Any, Any],
    photos: Iterable[tuple[int, str]],
    commitments: Mapping[str, str],
    criteria_digest: str | None,
) -> str:
    """The digest of what an inspection's entry covers."""
    plain = ("id", "created_at", "date", "job", "part", "weld", "procedure", "position", "outcome", "criteria_id")
    return digest(
        canonical(
            {key: row[key] for key in (*plain, "supersedes")}
            | {
                "result": digest(str(row["result"]).encode()),
                "photos": list(photos),
                "personal": dict(commitments),
                "criteria": criteria_digest,
            }
        )
    )


def decision_content(row: Mapping[Any, Any], commitments: Mapping[str, str]) -> str:
    """The digest of what a decision's entry covers."""
    return digest(
        canonical(
            {key: row[key] for key in ("id", "inspection_id", "number", "at", "decision")}
            | {"personal": dict(commitments)}
        )
    )


def erasure_content(erased: Iterable[tuple[str, str]]) -> str:
    """The digest of what an erasure's entry covers: which fields went (subject, field), never what they said."""
    return digest(canonical(sorted(erased)))


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
    commitments: dict[str, dict[str, str]] = {}
    erased: dict[str, list[tuple[str, str]]] = {}
    for row in connection.execute(select(t.personal)).mappings():
        commitments.setdefault(row["subject"], {})[row["field"]] = row["commitment"]
        where = f"inspection {row['inspection_id']}, {row['field']}"
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
    for row in connection.execute(select(t.criteria)).mappings():
        if digest(row["text"].encode()) != row["digest"]:
            yield Finding(kind="record", where=f"criteria {row['digest'][:12]}", text="The criteria were changed.")
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
