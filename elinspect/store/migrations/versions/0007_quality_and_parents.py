"""Signal to noise and sharpness of every picture, for charts over time; the flag another one belongs to."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_MEASURED = ("signal_to_noise", "sharpness_px")


def upgrade() -> None:
    for name in _MEASURED:
        op.add_column("inspections", sa.Column(name, sa.Float(), nullable=True))
    op.add_column("flags", sa.Column("parent", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("flags", "parent")
    for name in reversed(_MEASURED):
        op.drop_column("inspections", name)
