"""The digest chain: every entry covers what was recorded and the entry before it, so a later change is evident.

What a chain alone cannot show is that its newest entries were cut off: the digest printed on a report, kept
elsewhere, shows that (``check`` takes it as ``head``).
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Iterable, Mapping
from typing import Any, Literal

from sqlalchemy import Connection, select

from toeline.record import tables as t

#: What the first entry names as the one before it.
GENESIS = "0" * 64

#: Fields of an inspection that say in words which weld it is, and which part of it.
WORDS = ("job", "part", "drawing", "weld", "weld_pass", "layer", "face", "procedure", "position")

#: Those of them that entries of form 1 cover by the words themselves.
FIRST_WORDS = ("job", "part", "weld", "procedure", "position")

#: The form in which inspections are recorded now, see ``tables.inspection``.
FORM = 2

EntryKind = Literal["inspection", "decision", "test", "procedure", "erasure"]


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


def append(connection: Connection, at: str, kind: EntryKind, subject: str, content: str) -> tuple[int, str]:
    """Add an entry at the chain's end; gives its number and digest. The caller holds the store's write lock."""
    last = connection.execute(
        select(t.ledger.c.seq, t.ledger.c.digest).order_by(t.ledger.c.seq.desc()).limit(1)
    ).first()
    seq, prev = (last.seq + 1, last.digest) if last else (1, GENESIS)
    own = entry_digest(seq, at, kind, subject, content, prev)
    connection.execute(
        t.ledger.insert().values(seq=seq, at=at, kind=kind, subject=subject, content=content, prev=prev, digest=own)
    )
    return seq, own


def inspection_content(
    row: Mapping[Any, Any],
    photos: Iterable[tuple[int, str]],
    commitments: Mapping[str, str],
    criteria_digest: str | None,
) -> str:
    """The digest of what an inspection's entry covers: of its texts the commitments, in form 1 some of the words."""
    words = FIRST_WORDS if row["form"] == 1 else ()
    plain = ("id", "created_at", "date", "outcome", "criteria_id", *words)
    return digest(
        canonical(
            {key: row[key] for key in (*plain, "supersedes")}
            | _where_there("welded_on", row["welded_on"])
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


def test_content(row: Mapping[Any, Any], photos: Iterable[tuple[int, str]], commitments: Mapping[str, str]) -> str:
    """The digest of what a later test's entry covers."""
    plain = ("id", "inspection_id", "kind", "outcome", "date", "supersedes")
    covered = {key: row[key] for key in plain} | {"personal": dict(commitments)}
    return digest(canonical(covered | _where_there("photos", list(photos))))


def _where_there(key: str, value: object) -> dict[str, object]:
    """What was not asked for at first stands only where it is there: entries from before keep their digests."""
    return {} if value is None or value == [] else {key: value}


def procedure_content(row: Mapping[Any, Any]) -> str:
    """The digest of what a welding procedure's entry covers."""
    return digest(canonical({key: row[key] for key in ("id", "name", "at", "sheet", "supersedes")}))


def erasure_content(erased: Iterable[tuple[str, str]]) -> str:
    """The digest of what an erasure's entry covers: which fields went (subject, field), never what they said.

    A photo that was replaced by a copy without the name stands there as (its digest, the copy's digest).
    """
    return digest(canonical(sorted(erased)))
