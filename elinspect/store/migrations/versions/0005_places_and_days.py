"""Places of flags in their cells; indices by day."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("flagged_cells", sa.Column("along", sa.Float(), nullable=True))
    op.add_column("flagged_cells", sa.Column("across", sa.Float(), nullable=True))
    op.create_index(op.f("ix_flagged_cells_purpose_stage_day"), "flagged_cells", ["purpose", "stage", "day"])
    op.create_index(op.f("ix_inspections_purpose_stage_day"), "inspections", ["purpose", "stage", "day"])


def downgrade() -> None:
    op.drop_index(op.f("ix_inspections_purpose_stage_day"), table_name="inspections")
    op.drop_index(op.f("ix_flagged_cells_purpose_stage_day"), table_name="flagged_cells")
    op.drop_column("flagged_cells", "across")
    op.drop_column("flagged_cells", "along")
