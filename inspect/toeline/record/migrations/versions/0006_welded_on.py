"""The day of welding, where it is known; photos of later tests."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the column, empty for what was recorded before, and the table."""
    op.add_column("inspection", sa.Column("welded_on", sa.String(10)))
    op.create_table(
        "test_photo",
        sa.Column("test_id", sa.String(32), sa.ForeignKey("weld_test.id"), primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String(64), sa.ForeignKey("photo.sha256"), nullable=False, index=True),
    )
