"""Bench work, maintenance, flash results, versions in force, audits, removed pictures."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "audit_results",
        sa.Column("event_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("disposition", sa.Text(), nullable=False),
        sa.Column("agrees", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("event_id", name=op.f("pk_audit_results")),
    )
    op.create_index(op.f("ix_audit_results_inspection"), "audit_results", ["inspection"], unique=False)
    op.create_table(
        "flash_results",
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("measured_at", sa.Text(), nullable=False),
        sa.Column("power_w", sa.Float(), nullable=True),
        sa.Column("voc_v", sa.Float(), nullable=True),
        sa.Column("isc_a", sa.Float(), nullable=True),
        sa.Column("vmp_v", sa.Float(), nullable=True),
        sa.Column("imp_a", sa.Float(), nullable=True),
        sa.Column("fill_factor", sa.Float(), nullable=True),
        sa.Column("module_class", sa.Text(), nullable=False),
        sa.Column("tester", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("serial", "measured_at", name=op.f("pk_flash_results")),
    )
    op.create_table(
        "maintenance_events",
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("started_at", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("machine", "lane", "started_at", "what", name=op.f("pk_maintenance_events")),
    )
    op.create_table(
        "removed_pictures",
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("removed_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("inspection", name=op.f("pk_removed_pictures")),
    )
    op.create_table(
        "reworks",
        sa.Column("event_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("inspection", sa.Text(), nullable=True),
        sa.Column("work", sa.Text(), nullable=False),
        sa.Column("string", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("new_string_id", sa.Text(), nullable=False),
        sa.Column("fate", sa.Text(), nullable=False),
        sa.Column("minutes", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("event_id", "number", name=op.f("pk_reworks")),
    )
    op.create_index(op.f("ix_reworks_serial"), "reworks", ["serial"], unique=False)
    op.create_table(
        "versions",
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("layout", sa.Text(), nullable=True),
        sa.Column("event_id", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("what", "label", name=op.f("pk_versions")),
    )
    op.create_index(op.f("ix_inspections_event_id"), "inspections", ["event_id"], unique=False)
    op.add_column("outbox", sa.Column("received_at", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("outbox", "received_at")
    op.drop_index(op.f("ix_inspections_event_id"), table_name="inspections")
    op.drop_table("versions")
    op.drop_index(op.f("ix_reworks_serial"), table_name="reworks")
    op.drop_table("reworks")
    op.drop_table("removed_pictures")
    op.drop_table("maintenance_events")
    op.drop_table("flash_results")
    op.drop_index(op.f("ix_audit_results_inspection"), table_name="audit_results")
    op.drop_table("audit_results")
