"""Writing inspections and decisions into the tables and the chain, and reading them back. The caller has the lock."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError
from sqlalchemy import Connection, select

from toeline.errors import RecordError
from toeline.names import DECIDED
from toeline.record import chain, search
from toeline.record import tables as t
from toeline.record.kept_photos import Files, named_as, names_text, read_back, take
from toeline.record.models import (
    AGREES,
    Decision,
    Head,
    Identity,
    Inspection,
    NewDecision,
    PhotoUse,
    StoredPhoto,
    clean_text,
)
from toeline.record.personal import commit
from toeline.record.photos import PhotoFolder
from toeline.record.signing import Signer, append
from toeline.record.texts import part_texts, whole_result
from toeline.record.welds import weld_of
from toeline.result import Outcome, Result


@dataclass(frozen=True, slots=True)
class Draft:
    """An inspection to be recorded; ``files`` are its photos as (name, bytes), the measured one first."""

    result: Result
    files: Files
    identity: Identity
    remarks: str | None = None
    criteria: str | None = None
    supersedes: str | None = None
    why: str | None = None
    decision: NewDecision | None = None


def record_inspection(
    connection: Connection,
    photos: PhotoFolder,
    draft: Draft,
    staged: Mapping[str, Path],
    at: str,
    signer: Signer | None,
) -> str:
    """Put a draft on record, its photos out of ``staged`` by digest; gives the inspection's id.

    Raises:
        RecordError: the photo is not the measured one, was given twice, or what it supersedes cannot be.
    """
    result, identity, judgement = draft.result, draft.identity, draft.result.judgement
    if identity.date and identity.welded_on and identity.welded_on > identity.date:
        raise RecordError("The day of welding lies after the day of the inspection: put the wrong one right.")
    shas = named_as(connection, draft.files)
    if shas[0] != result.photo.sha256:
        raise RecordError("The photo given is not the one that was measured.")
    if draft.supersedes is not None:
        _may_supersede(connection, draft.supersedes)
    people = [name for name in (identity.welder, identity.inspector, draft.decision and draft.decision.by) if name]
    result_text, apart = part_texts(result, people)
    criteria_digest = chain.digest(draft.criteria.encode()) if draft.criteria else None
    row = {
        "id": uuid.uuid4().hex,
        "created_at": at,
        **identity.model_dump(mode="json", exclude={"welder", "inspector"}),
        "result": result_text,
        "outcome": judgement.outcome if judgement else None,
        "criteria_id": judgement.criteria if judgement else None,
        "criteria_digest": criteria_digest,
        "supersedes": draft.supersedes,
        "form": chain.FORM,
    }
    personal = {
        **{field: row[field] for field in chain.WORDS},
        "welder": identity.welder,
        "inspector": identity.inspector,
        "remarks": clean_text(draft.remarks),
        "why_superseded": clean_text(draft.why),
        "photo_names": names_text(draft.files),
        **apart,
    }
    take(connection, photos, draft.files, shas, staged)
    if (
        draft.criteria
        and not connection.execute(select(t.criteria.c.digest).where(t.criteria.c.digest == criteria_digest)).first()
    ):
        connection.execute(t.criteria.insert().values(digest=criteria_digest, text=draft.criteria))
    connection.execute(t.inspection.insert().values(row))
    for place, sha in enumerate(shas):
        connection.execute(t.inspection_photo.insert().values(inspection_id=row["id"], place=place, sha256=sha))
    known = [
        {"inspection_id": row["id"], "name": name, "value": one.value, "U": one.U, "unit": one.unit}
        for name, one in result.measures.items()
        if one.value is not None
    ]
    if known:
        connection.execute(t.measure.insert(), known)
    commitments = commit(connection, str(row["id"]), str(row["id"]), personal)
    content = chain.inspection_content(row, enumerate(shas), commitments, criteria_digest)
    append(connection, signer, at, "inspection", str(row["id"]), content)
    return str(row["id"])


def record_decision(
    connection: Connection,
    inspection: str,
    outcome: Outcome | None,
    decision: NewDecision,
    at: str,
    signer: Signer | None,
) -> Decision:
    """Put a decision on record. Raises ``RecordError`` where it differs from the tool's outcome without a reason."""
    if outcome is not None and AGREES[outcome] != decision.decision and not decision.reason:
        raise RecordError(f"The tool says {outcome}: say why you {decision.decision} it.")
    taken = connection.execute(select(t.decision.c.id).where(t.decision.c.inspection_id == inspection)).all()
    row = {
        "id": uuid.uuid4().hex,
        "inspection_id": inspection,
        "number": len(taken) + 1,
        "at": at,
        "decision": decision.decision,
    }
    connection.execute(t.decision.insert().values(row))
    said = {"by": decision.by, "reason": decision.reason}
    commitments = commit(connection, str(row["id"]), inspection, said)
    append(connection, signer, at, "decision", str(row["id"]), chain.decision_content(row, commitments))
    return Decision(id=str(row["id"]), at=at, decision=decision.decision, by=decision.by, reason=decision.reason)


def newest(connection: Connection) -> Head:
    """The chain's newest entry."""
    last = connection.execute(
        select(t.ledger.c.seq, t.ledger.c.digest).order_by(t.ledger.c.seq.desc()).limit(1)
    ).first()
    return Head(number=last.seq, digest=last.digest) if last else Head(number=0, digest=chain.GENESIS)


def _may_supersede(connection: Connection, old: str) -> None:
    if not connection.execute(select(t.inspection.c.id).where(t.inspection.c.id == old)).first():
        raise RecordError(f"There is no inspection {old}.")
    if connection.execute(select(t.inspection.c.id).where(t.inspection.c.supersedes == old)).first():
        raise RecordError("That inspection was superseded already: supersede the one in its place.")


def read_inspection(connection: Connection, wanted: str) -> Inspection:
    """The inspection with that id. Raises ``RecordError`` where there is none."""
    row = connection.execute(select(t.inspection).where(t.inspection.c.id == wanted)).mappings().first()
    if row is None:
        raise RecordError(f"There is no inspection {wanted}.")
    entry = connection.execute(select(t.ledger).where(t.ledger.c.subject == wanted)).mappings().one()
    personal: dict[str, dict[str, str | None]] = {}
    erased = []
    for field in connection.execute(select(t.personal).where(t.personal.c.inspection_id == wanted)).mappings():
        personal.setdefault(field["subject"], {})[field["field"]] = field["value"]
        if field["erasure"] is not None:
            erased.append(field["field"])
    own = personal.get(wanted, {})
    mine = t.inspection_photo.c.inspection_id
    photos = read_back(connection, t.inspection_photo, mine, wanted, own.get("photo_names"))
    decisions = tuple(
        Decision(
            id=one["id"],
            at=one["at"],
            decision=one["decision"],
            by=personal.get(one["id"], {}).get("by"),
            reason=personal.get(one["id"], {}).get("reason"),
        )
        for one in connection.execute(
            select(t.decision).where(t.decision.c.inspection_id == wanted).order_by(t.decision.c.number)
        ).mappings()
    )
    replaced = {one.sha256 for one in connection.execute(select(t.replaced_photo))}
    erased += ["photo's own data"] if any(photo.sha256 in replaced for photo in photos) else []
    try:
        result = whole_result(row["result"], own)
    except (ValidationError, ValueError, KeyError, IndexError, TypeError):
        raise RecordError(f"The result of inspection {wanted} cannot be read: check the record.") from None
    photos = tuple(one.model_copy(update={"use": _use(k, one, result)}) for k, one in enumerate(photos))
    later = connection.execute(select(t.inspection.c.id).where(t.inspection.c.supersedes == wanted)).scalar()
    name = photos[0].name if photos and photos[0].name else f"{result.photo.sha256[:12]} (name erased)"
    return Inspection(
        id=row["id"],
        number=entry["seq"],
        digest=entry["digest"],
        created_at=row["created_at"],
        identity=Identity(
            welder=own.get("welder"), inspector=own.get("inspector"), **{k: row[k] for k in search.PLAIN_FIELDS}
        ),
        remarks=own.get("remarks"),
        result=_named(result, name, photos),
        criteria=connection.execute(
            select(t.criteria.c.text).where(t.criteria.c.digest == row["criteria_digest"])
        ).scalar(),
        photos=photos,
        decisions=decisions,
        supersedes=row["supersedes"],
        superseded_by=later,
        why_superseded=own.get("why_superseded"),
        supersedes_number=_number(connection, row["supersedes"]),
        superseded_by_number=_number(connection, later),
        tests=weld_of(connection, wanted).tests,
        undid=undone(connection, row["supersedes"]) if row["supersedes"] else (),
        erased=tuple(sorted({"result" if one.startswith("result ") else one for one in erased})),
        head=newest(connection),
    )


def _named(result: Result, name: str, photos: Sequence[StoredPhoto]) -> Result:
    """The result with its photos' file names put back, as far as they are kept."""
    known = {one.sha256: one.name for one in photos}
    several = tuple(
        one.model_copy(update={"name": known.get(one.sha256) or f"photo {k}"}) for k, one in enumerate(result.photos, 1)
    )
    return result.model_copy(update={"photo": result.photo.model_copy(update={"name": name}), "photos": several})


def undone(connection: Connection, old: str) -> tuple[str, ...]:
    """What else superseding an inspection undoes, in sentences: the decision taken on it, and what counted it."""
    number = _number(connection, old)
    taken = connection.execute(
        select(t.decision).where(t.decision.c.inspection_id == old).order_by(t.decision.c.number.desc()).limit(1)
    ).first()
    said = []
    if taken is not None:
        said.append(
            f"Entry {number} was {DECIDED[taken.decision]} on {taken.at[:10]}: that decision is not carried over."
        )
    said.append(f"Entry {number} no longer counts in the list, in trends and in the welder's continuity.")
    said.append(f"A report of entry {number} that is printed already does not know it; printed anew it says so.")
    return tuple(said)


def _use(place: int, photo: StoredPhoto, result: Result) -> PhotoUse:
    """What a photo is there for: the result names those that it was measured from."""
    if place == 0:
        return "measured"
    return "heights" if photo.sha256 in {one.sha256 for one in result.photos} else "further"


def _number(connection: Connection, subject: str | None) -> int | None:
    """The number of an entry by what it is about."""
    return connection.execute(select(t.ledger.c.seq).where(t.ledger.c.subject == subject)).scalar() if subject else None
