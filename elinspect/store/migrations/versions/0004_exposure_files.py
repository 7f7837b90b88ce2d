"""Every file of an exposure set with its hash."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "exposure_files",
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("inspection", "number", name=op.f("pk_exposure_files")),
    )
    op.create_index(op.f("ix_exposure_files_sha256"), "exposure_files", ["sha256"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_exposure_files_sha256"), table_name="exposure_files")
    op.drop_table("exposure_files")
