"""Measurements kept for interrupted batches lie beside the record, no longer in it."""

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Drop the table of kept measurements."""
    op.execute("drop table if exists measured")
