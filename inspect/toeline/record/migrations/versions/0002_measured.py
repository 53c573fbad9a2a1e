"""Measurements kept for batches that were interrupted."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the table of kept measurements."""
    op.create_table(
        "measured",
        sa.Column("photo_sha256", sa.String(64), primary_key=True),
        sa.Column("settings_digest", sa.String(64), primary_key=True),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("result", sa.Text, nullable=False),
    )
