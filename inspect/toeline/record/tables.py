"""The store's tables at the newest schema version; ``migrations`` builds them step by step.

Times are text in a fixed ISO 8601 form, so that what a digest covers reads back the same from every database.
"""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, Float, ForeignKey, Index, Integer, MetaData, String, Table, Text
from sqlalchemy import UniqueConstraint as Unique

metadata = MetaData()

#: One row: which store this is, so that a photo folder is never swept on behalf of another store.
store_info = Table("store_info", metadata, Column("id", String(32), primary_key=True))

photo = Table(
    "photo",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("size", Integer, nullable=False),
    Column("media_type", String(40), nullable=False),
)

criteria = Table(
    "criteria", metadata, Column("digest", String(64), primary_key=True), Column("text", Text, nullable=False)
)

inspection = Table(
    "inspection",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("created_at", String(27), nullable=False, index=True),
    Column("date", String(10)),
    Column("welded_on", String(10)),
    Column("job", String(200), index=True),
    Column("part", String(200)),
    Column("drawing", String(200)),
    Column("weld", String(200), index=True),
    Column("weld_pass", String(200)),
    Column("layer", String(200)),
    Column("face", String(200)),
    Column("procedure", String(200), index=True),
    Column("position", String(200)),
    Column("result", Text, nullable=False),
    Column("outcome", String(9)),
    Column("criteria_id", String(200)),
    Column("criteria_digest", String(64), ForeignKey("criteria.digest")),
    Column("supersedes", String(32), ForeignKey("inspection.id"), unique=True),
    # 1: the entry covers the words of job to position themselves; 2: they are personal text, and here to be searched
    Column("form", Integer, nullable=False, server_default="1"),
)

inspection_photo = Table(
    "inspection_photo",
    metadata,
    Column("inspection_id", String(32), ForeignKey("inspection.id"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("sha256", String(64), ForeignKey("photo.sha256"), nullable=False, index=True),
)

decision = Table(
    "decision",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("inspection_id", String(32), ForeignKey("inspection.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", String(27), nullable=False),
    Column("decision", String(6), nullable=False),
    Unique("inspection_id", "number"),
    CheckConstraint("decision in ('accept', 'reject', 'refer')", name="decision_kind"),
)

#: A bend, break, macro or other test made on the weld later on; its words are personal text.
weld_test = Table(
    "weld_test",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("inspection_id", String(32), ForeignKey("inspection.id"), nullable=False, index=True),
    Column("kind", String(20), nullable=False),
    Column("outcome", String(4), nullable=False),
    Column("date", String(10)),
    Column("supersedes", String(32), ForeignKey("weld_test.id"), unique=True),
    CheckConstraint("outcome in ('pass', 'fail')", name="test_outcome"),
)

#: The photos of a later test: of the bent strip, the broken face, the etched section.
test_photo = Table(
    "test_photo",
    metadata,
    Column("test_id", String(32), ForeignKey("weld_test.id"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("sha256", String(64), ForeignKey("photo.sha256"), nullable=False, index=True),
)

#: Welding procedures with their ranges, as JSON; of those of one name the newest holds.
procedure = Table(
    "procedure",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("name", String(200), nullable=False, index=True),
    Column("at", String(27), nullable=False),
    Column("sheet", Text, nullable=False),
    Column("supersedes", String(32), ForeignKey("procedure.id"), unique=True),
)

#: Text that may name a person. The chain covers only ``commitment``, a salted digest: erasing value and salt
#: leaves the chain whole and makes the text unrecoverable.
personal = Table(
    "personal",
    metadata,
    Column("subject", String(32), primary_key=True),
    Column("field", String(20), primary_key=True),
    Column("inspection_id", String(32), ForeignKey("inspection.id"), nullable=False, index=True),
    Column("value", Text),
    Column("salt", String(64)),
    Column("commitment", String(64), nullable=False),
    Column("erasure", String(32)),  # the chain entry that tells of its erasing
)

#: Photos whose own data named a person who was erased: the copy without the name that is kept in their place.
replaced_photo = Table(
    "replaced_photo",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("stand_in", String(64), nullable=False, unique=True),
    Column("erasure", String(32), nullable=False),  # the chain entry that tells of it
)

#: The chain: each entry holds the digest of the one before it.
ledger = Table(
    "ledger",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", String(27), nullable=False),
    Column("kind", String(10), nullable=False),
    Column("subject", String(32), nullable=False, unique=True),
    Column("content", String(64), nullable=False),
    Column("prev", String(64), nullable=False, unique=True),
    Column("digest", String(64), nullable=False, unique=True),
)

#: Signatures of entries, where there was a key: the public key and the signature, in hex. ``since`` is the first entry
#: that this key signed, and is signed along, so that no signature can be taken away from the beginning either.
signature = Table(
    "signature",
    metadata,
    Column("seq", Integer, ForeignKey("ledger.seq"), primary_key=True, autoincrement=False),
    Column("key", String(64), nullable=False),
    Column("since", Integer, nullable=False),
    Column("value", String(128), nullable=False),
)

#: The known measures of each inspection, taken from its result, for sorting and trends.
measure = Table(
    "measure",
    metadata,
    Column("inspection_id", String(32), ForeignKey("inspection.id"), primary_key=True),
    Column("name", String(60), primary_key=True),
    Column("value", Float, nullable=False),
    Column("U", Float),
    Column("unit", String(10), nullable=False),
    Index("measure_by_name", "name", "value"),
)
