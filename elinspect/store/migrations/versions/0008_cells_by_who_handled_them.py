"""Cells inspected by ribbon lot, operator and hour, so that shifts and people have rates of their own."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_KEYS = ("day", "purpose", "stage", "product", "origin", "ribbon_lot", "operator", "hour")


def upgrade() -> None:
    op.create_table(
        "handled_counts",
        *(sa.Column(name, sa.Text(), nullable=False) for name in _KEYS),
        sa.Column("cells", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint(*_KEYS, name=op.f("pk_handled_counts")),
    )


def downgrade() -> None:
    op.drop_table("handled_counts")
