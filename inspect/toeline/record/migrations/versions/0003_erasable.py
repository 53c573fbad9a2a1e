"""Every text of an inspection can be erased, its photos' own data too; entries can be signed."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Mark what was recorded before as of form 1, whose entries cover the words themselves."""
    op.add_column("inspection", sa.Column("form", sa.Integer, nullable=False, server_default="1"))
    op.create_table(
        "replaced_photo",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("stand_in", sa.String(64), nullable=False, unique=True),
        sa.Column("erasure", sa.String(32), nullable=False),
    )
    op.create_table(
        "signature",
        sa.Column("seq", sa.Integer, sa.ForeignKey("ledger.seq"), primary_key=True, autoincrement=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("since", sa.Integer, nullable=False),
        sa.Column("value", sa.String(128), nullable=False),
    )
