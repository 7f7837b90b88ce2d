"""Panels on hold with owner and age; badges beside PINs."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "holds",
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("decision_id", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("owner", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("ended_by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("inspection", name=op.f("pk_holds")),
    )
    op.add_column("people", sa.Column("badge_hash", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("people", "badge_hash")
    op.drop_table("holds")
