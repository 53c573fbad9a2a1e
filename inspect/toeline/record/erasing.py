"""Finding and erasing a person: every text and every photo's own data that names them.

The chain covers salted digests of the texts, so that they can go and the chain stays whole. A photo whose own data
names the person is replaced by a copy that differs in those letters alone; the chain tells of that, too.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, select, union

from toeline.errors import RecordError
from toeline.record import chain
from toeline.record import tables as t
from toeline.record.mentions import Mentions
from toeline.record.models import Hit
from toeline.record.photos import PhotoFolder, media_type
from toeline.record.texts import texts_of
from toeline.text import one_line

#: How much of a text is shown as found.
_SHOWN = 120


@dataclass(frozen=True, slots=True)
class Found:
    """One place that names the person; ``key`` says where the store holds it, None where it cannot be erased."""

    hit: Hit
    key: tuple[str, str] | None
    photo: str | None = None


# -- finding ---------------------------------------------------------------------------------------------------------


def find(connection: Connection, photos: PhotoFolder, name: str) -> tuple[Found, ...]:
    """Every place of the record that names the person. Raises ``RecordError`` where there is none."""
    mentions = Mentions(name)
    numbers = {row.subject: row.seq for row in connection.execute(select(t.ledger))}
    found = (
        *_in_personal(connection, mentions, numbers),
        *_in_words_covered(connection, mentions, numbers),
        *_in_photos(connection, photos, mentions, numbers),
    )
    if not found:
        raise RecordError(
            "Nothing on record names this person: look how the name is written there, with a search for a part of it."
        )
    return tuple(sorted(found, key=lambda one: (one.hit.number, one.hit.field)))


def _in_personal(connection: Connection, mentions: Mentions, numbers: Mapping[str, int]) -> Iterator[Found]:
    held = connection.execute(select(t.personal).where(t.personal.c.value.is_not(None))).mappings().all()
    welded = {row["inspection_id"] for row in held if row["field"] == "welder" and mentions.in_text(row["value"])}
    for row in held:
        said = _said(row["field"], row["value"])
        # whoever welded it, their photos' file names go in any case
        if mentions.in_text(said) or (row["field"] == "photo_names" and row["inspection_id"] in welded):
            inspection = row["inspection_id"]
            hit = _hit(inspection, numbers, _field_words(row["field"]), said)
            yield Found(hit, (row["subject"], row["field"]))


def _said(field: str, value: str) -> str:
    if field == "photo_names":
        return ", ".join(json.loads(value))
    return str(json.loads(value)[1]) if field.startswith("result ") else value


def _field_words(field: str) -> str:
    return "result" if field.startswith("result ") else field.replace("_", " ")


def _in_words_covered(connection: Connection, mentions: Mentions, numbers: Mapping[str, int]) -> Iterator[Found]:
    """What the chain covers by its words: it can be found, and not erased."""
    criteria = {row.digest for row in connection.execute(select(t.criteria)) if mentions.in_text(row.text)}
    for row in connection.execute(select(t.inspection)).mappings():
        plain = chain.FIRST_WORDS if row["form"] == 1 else ()
        for field in (*plain, "criteria_id"):
            if row[field] and mentions.in_text(row[field]):
                yield Found(_hit(row["id"], numbers, field, row[field], why=_OLDER), None)
        if row["criteria_digest"] in criteria:
            yield Found(_hit(row["id"], numbers, "criteria", "the text of the criteria", why=_OLDER), None)
        for path, words in texts_of(_document(row["result"])):
            if mentions.in_text(words):
                where = "result, " + ".".join(map(str, path))
                yield Found(_hit(row["id"], numbers, where, words, why=_OLDER), None)
    for row in connection.execute(select(t.procedure)).mappings():
        if mentions.in_text(row["sheet"]):
            hit = Hit(inspection="", number=numbers.get(row["id"], 0), field="procedure", text=row["name"])
            yield Found(hit.model_copy(update={"kept_because": _OLDER}), None)


_OLDER = "the chain covers the words themselves"
_CHECK_SUMS = "a PNG's own check sums cover it"


def _document(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return None


def _in_photos(
    connection: Connection, photos: PhotoFolder, mentions: Mentions, numbers: Mapping[str, int]
) -> Iterator[Found]:
    lies = where_photos_lie(connection)
    seen: set[str] = set()
    for inspection, where, sha256 in _photos_named(connection):
        try:
            data = photos.read(lies[sha256])
        except RecordError:
            continue  # it is missing or damaged, which the check says
        if spans := mentions.in_photo(data):
            start, end = spans[0]
            excerpt = data[max(0, start - 20) : end + 20].decode("latin-1")
            text = "".join(c if c.isprintable() else " " for c in excerpt)
            able = mentions.blanked(data) is not None
            hit = _hit(inspection, numbers, where, text, why="" if able else _CHECK_SUMS)
            first = sha256 not in seen
            seen.add(sha256)
            yield Found(hit, None, sha256 if able and first else None)


def _photos_named(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Every photo of an inspection or of a later test: the inspection, which photo of it, its digest."""
    for row in connection.execute(select(t.inspection_photo).order_by(t.inspection_photo.c.place)):
        yield row.inspection_id, f"photo {row.place + 1}", row.sha256
    of_tests = select(t.test_photo, t.weld_test.c.inspection_id).join(t.weld_test).order_by(t.test_photo.c.place)
    for row in connection.execute(of_tests):
        yield row.inspection_id, f"photo {row.place + 1} of a later test", row.sha256


def _hit(inspection: str, numbers: Mapping[str, int], field: str, text: str, why: str = "") -> Hit:
    shown = one_line(text)
    shown = shown if len(shown) <= _SHOWN else shown[: _SHOWN - 1] + "…"
    return Hit(inspection=inspection, number=numbers.get(inspection, 0), field=field, text=shown, kept_because=why)


def where_photos_lie(connection: Connection) -> dict[str, str]:
    """The photos that inspections and later tests name, each with the digest of the file that is kept for it."""
    replaced = {row.sha256: row.stand_in for row in connection.execute(select(t.replaced_photo))}
    lies = {}
    for named in connection.execute(
        union(select(t.inspection_photo.c.sha256), select(t.test_photo.c.sha256))
    ).scalars():
        last, steps = named, 0
        while last in replaced and steps <= len(replaced):
            last, steps = replaced[last], steps + 1
        lies[named] = last
    return lies


# -- erasing ---------------------------------------------------------------------------------------------------------


def erase(
    connection: Connection,
    photos: PhotoFolder,
    name: str,
    erasure: str,
    append: Callable[[str], None],
) -> tuple[tuple[Found, ...], tuple[str, ...]]:
    """Erase what can be, inside the caller's transaction; ``append`` puts an entry of that content into the chain.

    Gives what was found and the digests of the original photos, whose files go once the transaction is committed.
    """
    found = find(connection, photos, name)
    fields = [one.key for one in found if one.key is not None]
    for subject, field in fields:
        connection.execute(
            t.personal.update()
            .where(t.personal.c.subject == subject, t.personal.c.field == field)
            .values(value=None, salt=None, erasure=erasure)
        )
        if field in chain.WORDS:  # what is kept beside it for searching
            connection.execute(t.inspection.update().where(t.inspection.c.id == subject).values({field: None}))
    replaced = list(_replace_photos(connection, photos, name, erasure, [one.photo for one in found if one.photo]))
    if fields or replaced:
        append(chain.erasure_content([*fields, *replaced]))
    return found, tuple(old for old, _ in replaced)


def _replace_photos(
    connection: Connection, photos: PhotoFolder, name: str, erasure: str, named: list[str]
) -> Iterator[tuple[str, str]]:
    mentions, lies = Mentions(name), where_photos_lie(connection)
    for sha256 in named:
        old = lies[sha256]
        data = photos.read(old)
        blanked = mentions.blanked(data)
        if blanked is None or media_type(blanked) != media_type(data):
            raise RecordError(f"The photo {sha256[:12]} cannot be written without the name.")
        new = chain.digest(blanked)
        photos.adopt(photos.stage(blanked, new))
        connection.execute(t.replaced_photo.insert().values(sha256=old, stand_in=new, erasure=erasure))
        yield old, new
