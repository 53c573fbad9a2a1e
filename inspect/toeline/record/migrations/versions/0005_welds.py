"""Drawing, pass, layer and face of a weld; tests made on it later on; welding procedures."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the columns, empty for what was recorded before, and the two tables."""
    for name in ("drawing", "weld_pass", "layer", "face"):
        op.add_column("inspection", sa.Column(name, sa.String(200)))
    op.create_index("ix_inspection_weld", "inspection", ["weld"])
    op.create_table(
        "weld_test",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("inspection_id", sa.String(32), sa.ForeignKey("inspection.id"), nullable=False, index=True),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("outcome", sa.String(4), nullable=False),
        sa.Column("date", sa.String(10)),
        sa.Column("supersedes", sa.String(32), sa.ForeignKey("weld_test.id"), unique=True),
        sa.CheckConstraint("outcome in ('pass', 'fail')", name="test_outcome"),
    )
    op.create_table(
        "procedure",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False, index=True),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("sheet", sa.Text, nullable=False),
        sa.Column("supersedes", sa.String(32), sa.ForeignKey("procedure.id"), unique=True),
    )
