"""What belongs to one weld: its inspections, pass by pass and from both sides, and the tests made on it later on."""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, func, or_, select

from toeline.errors import RecordError
from toeline.record import chain
from toeline.record import tables as t
from toeline.record.kept_photos import Files, named_as, names_text, read_back, take
from toeline.record.models import NewTest, Weld, WeldTest, clean_text
from toeline.record.personal import commit
from toeline.record.photos import PhotoFolder
from toeline.record.search import summaries
from toeline.record.signing import Signer, append
from toeline.result import Procedure

#: What together tells one weld from another.
_KEY = ("job", "part", "drawing", "weld")

_WORDS = ("by", "standard", "report", "specimen", "found")


def weld_of(connection: Connection, inspection: str) -> Weld:
    """The weld that an inspection is of. Raises ``RecordError`` where there is no such inspection."""
    own = connection.execute(select(t.inspection).where(t.inspection.c.id == inspection)).mappings().first()
    if own is None:
        raise RecordError(f"There is no inspection {inspection}.")
    found = summaries(connection, _of_same_weld(connection, inspection))
    ids = [one.id for one in found]
    return Weld(**{field: own[field] for field in _KEY}, inspections=found, tests=tests_of(connection, ids))


def _of_same_weld(connection: Connection, inspection: str) -> ColumnElement[bool]:
    own = connection.execute(select(t.inspection).where(t.inspection.c.id == inspection)).mappings().one()
    kin = t.inspection.c.id.in_(_replacing_each_other(connection, inspection))
    if not own["weld"]:
        return kin
    same = [
        t.inspection.c[field].is_(None)
        if own[field] is None
        else func.lower(t.inspection.c[field]) == own[field].strip().casefold()
        for field in _KEY
    ]
    return or_(kin, same[0] & same[1] & same[2] & same[3])


def _replacing_each_other(connection: Connection, inspection: str) -> set[str]:
    """An inspection with all that it superseded and that superseded it, one after the other."""
    earlier = {
        row.id: row.supersedes for row in connection.execute(select(t.inspection.c.id, t.inspection.c.supersedes))
    }
    later = {old: new for new, old in earlier.items() if old}
    kin = {inspection}
    for way in (earlier, later):
        at: str | None = inspection
        while (at := way.get(at or "")) is not None and at not in kin:
            kin.add(at)
    return kin


def tests_of(connection: Connection, inspections: list[str]) -> tuple[WeldTest, ...]:
    """The tests added to these inspections, in the order in which they were recorded."""
    rows = connection.execute(
        select(t.weld_test, t.ledger.c.seq, t.ledger.c.at)
        .join(t.ledger, t.ledger.c.subject == t.weld_test.c.id)
        .where(t.weld_test.c.inspection_id.in_(inspections))
        .order_by(t.ledger.c.seq)
    ).mappings()
    found = rows.all()
    said: dict[str, dict[str, str | None]] = {}
    for row in connection.execute(select(t.personal).where(t.personal.c.subject.in_([one["id"] for one in found]))):
        said.setdefault(row.subject, {})[row.field] = row.value
    instead = {one["supersedes"]: one["seq"] for one in found if one["supersedes"]}
    return tuple(
        WeldTest(
            id=one["id"],
            number=one["seq"],
            at=one["at"],
            inspection=one["inspection_id"],
            kind=one["kind"],
            outcome=one["outcome"],
            date=one["date"],
            superseded_by=instead.get(one["id"]),
            photos=read_back(
                connection, t.test_photo, t.test_photo.c.test_id, one["id"], said.get(one["id"], {}).get("photo_names")
            ),
            **{word: said.get(one["id"], {}).get(word) for word in (*_WORDS, "why_superseded")},
        )
        for one in found
    )


@dataclass(frozen=True, slots=True)
class TestDraft:
    """A later test to be recorded; ``files`` are its photos as (name, bytes)."""

    inspection: str
    test: NewTest
    files: Files = ()
    supersedes: str | None = None
    why: str | None = None


def record_test(
    connection: Connection,
    photos: PhotoFolder,
    draft: TestDraft,
    staged: Mapping[str, Path],
    at: str,
    signer: Signer | None,
) -> None:
    """Put a test's result on record, its photos out of ``staged`` by digest.

    Raises:
        RecordError: there is no such inspection or earlier test, or not said why that is superseded; or a photo twice.
    """
    if not connection.execute(select(t.inspection.c.id).where(t.inspection.c.id == draft.inspection)).first():
        raise RecordError(f"There is no inspection {draft.inspection}.")
    if draft.supersedes is not None:
        _may_supersede(connection, draft.inspection, draft.supersedes, draft.why)
    shas = named_as(connection, draft.files)
    row = {
        "id": uuid.uuid4().hex,
        "inspection_id": draft.inspection,
        "supersedes": draft.supersedes,
        **draft.test.model_dump(mode="json", include={"kind", "outcome", "date"}),
    }
    connection.execute(t.weld_test.insert().values(row))
    take(connection, photos, draft.files, shas, staged)
    for place, sha in enumerate(shas):
        connection.execute(t.test_photo.insert().values(test_id=row["id"], place=place, sha256=sha))
    said = {word: getattr(draft.test, word) for word in _WORDS} | {
        "why_superseded": clean_text(draft.why),
        "photo_names": names_text(draft.files) if draft.files else None,
    }
    commitments = commit(connection, str(row["id"]), draft.inspection, said)
    content = chain.test_content(row, enumerate(shas), commitments)
    append(connection, signer, at, "test", str(row["id"]), content)


def _may_supersede(connection: Connection, inspection: str, old: str, why: str | None) -> None:
    if not (why or "").strip():
        raise RecordError("Say why the earlier test result is superseded.")
    this = (t.weld_test.c.id == old, t.weld_test.c.inspection_id == inspection)
    if not connection.execute(select(t.weld_test.c.id).where(*this)).first():
        raise RecordError(f"There is no test result {old} of inspection {inspection}.")
    if connection.execute(select(t.weld_test.c.id).where(t.weld_test.c.supersedes == old)).first():
        raise RecordError("That test result was superseded already: supersede the one in its place.")


# -- welding procedures ----------------------------------------------------------------------------------------------


def keep_procedure(connection: Connection, procedure: Procedure, at: str, signer: Signer | None) -> None:
    """Put a welding procedure on record, in the place of the earlier one of that name.

    Raises ``RecordError`` where that one says the very same.
    """
    sheet = json.dumps(procedure.model_dump(mode="json"), ensure_ascii=False, separators=(",", ":"))
    earlier = next((row for row in _procedures(connection) if row.name.casefold() == procedure.name.casefold()), None)
    if earlier is not None and earlier.sheet == sheet:
        raise RecordError(f"The procedure {procedure.name} is on record already, and says the same.")
    row = {
        "id": uuid.uuid4().hex,
        "name": procedure.name,
        "at": at,
        "sheet": sheet,
        "supersedes": earlier.id if earlier is not None else None,
    }
    connection.execute(t.procedure.insert().values(row))
    append(connection, signer, at, "procedure", str(row["id"]), chain.procedure_content(row))


def procedures(connection: Connection) -> tuple[Procedure, ...]:
    """The welding procedures that hold, by name."""
    return tuple(Procedure.model_validate_json(row.sheet) for row in _procedures(connection))


def _procedures(connection: Connection) -> Sequence[Row[Any]]:
    newer = t.procedure.alias("newer")
    holds = ~select(newer.c.id).where(newer.c.supersedes == t.procedure.c.id).exists()
    rows = connection.execute(select(t.procedure).where(holds)).all()
    return sorted(rows, key=lambda row: row.name.casefold())
