"""Inspections, photos, decisions, personal text and the chain."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Build the first version's tables."""
    op.create_table("store_info", sa.Column("id", sa.String(32), primary_key=True))
    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("media_type", sa.String(40), nullable=False),
    )
    op.create_table(
        "criteria",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.create_table(
        "inspection",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("created_at", sa.String(27), nullable=False, index=True),
        sa.Column("date", sa.String(10)),
        sa.Column("job", sa.String(200), index=True),
        sa.Column("part", sa.String(200)),
        sa.Column("weld", sa.String(200)),
        sa.Column("procedure", sa.String(200), index=True),
        sa.Column("position", sa.String(200)),
        sa.Column("result", sa.Text, nullable=False),
        sa.Column("outcome", sa.String(9)),
        sa.Column("criteria_id", sa.String(200)),
        sa.Column("criteria_digest", sa.String(64), sa.ForeignKey("criteria.digest")),
        sa.Column("supersedes", sa.String(32), sa.ForeignKey("inspection.id"), unique=True),
    )
    op.create_table(
        "inspection_photo",
        sa.Column("inspection_id", sa.String(32), sa.ForeignKey("inspection.id"), primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String(64), sa.ForeignKey("photo.sha256"), nullable=False, index=True),
    )
    op.create_table(
        "decision",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("inspection_id", sa.String(32), sa.ForeignKey("inspection.id"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("decision", sa.String(6), nullable=False),
        sa.UniqueConstraint("inspection_id", "number"),
        sa.CheckConstraint("decision in ('accept', 'reject', 'refer')", name="decision_kind"),
    )
    op.create_table(
        "personal",
        sa.Column("subject", sa.String(32), primary_key=True),
        sa.Column("field", sa.String(20), primary_key=True),
        sa.Column("inspection_id", sa.String(32), sa.ForeignKey("inspection.id"), nullable=False, index=True),
        sa.Column("value", sa.Text),
        sa.Column("salt", sa.String(64)),
        sa.Column("commitment", sa.String(64), nullable=False),
        sa.Column("erasure", sa.String(32)),
    )
    op.create_table(
        "ledger",
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("kind", sa.String(10), nullable=False),
        sa.Column("subject", sa.String(32), nullable=False, unique=True),
        sa.Column("content", sa.String(64), nullable=False),
        sa.Column("prev", sa.String(64), nullable=False, unique=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
    )
    op.create_table(
        "measure",
        sa.Column("inspection_id", sa.String(32), sa.ForeignKey("inspection.id"), primary_key=True),
        sa.Column("name", sa.String(60), primary_key=True),
        sa.Column("value", sa.Float, nullable=False),
        sa.Column("U", sa.Float),
        sa.Column("unit", sa.String(10), nullable=False),
        sa.Index("measure_by_name", "name", "value"),
    )
