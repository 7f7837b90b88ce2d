"""The log and its first projections."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "chains",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_chains")),
    )
    op.create_table(
        "context_rows",
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("string", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("valid_from", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("valid_to", sa.BigInteger(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("string_id", sa.Text(), nullable=False),
        sa.Column("stringer", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("turned", sa.Boolean(), nullable=True),
        sa.Column("built_at", sa.Text(), nullable=False),
        sa.Column("cell_lot", sa.Text(), nullable=False),
        sa.Column("cell_supplier", sa.Text(), nullable=False),
        sa.Column("cell_class", sa.Text(), nullable=False),
        sa.Column("ribbon_lot", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("layup_machine", sa.Text(), nullable=False),
        sa.Column("bussing_machine", sa.Text(), nullable=False),
        sa.Column("el_station", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("serial", "string", "position", "origin", "valid_from", name=op.f("pk_context_rows")),
    )
    op.create_table(
        "evaluations",
        sa.Column("event_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("versions", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("event_id", name=op.f("pk_evaluations")),
    )
    op.create_index(op.f("ix_evaluations_inspection"), "evaluations", ["inspection"], unique=False)
    op.create_table(
        "events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sa.UniqueConstraint("station", "number", name=op.f("uq_events_station_number")),
        sa.UniqueConstraint("subject", "version", name=op.f("uq_events_subject_version")),
    )
    op.create_table(
        "flagged_cells",
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("string", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.BigInteger(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("stringer", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("cell_supplier", sa.Text(), nullable=False),
        sa.Column("cell_lot", sa.Text(), nullable=False),
        sa.Column("string_id", sa.Text(), nullable=False),
        sa.Column("cell_class", sa.Text(), nullable=False),
        sa.Column("ribbon_lot", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("turned", sa.Boolean(), nullable=True),
        sa.Column("position_as_built", sa.Integer(), nullable=False),
        sa.Column("instance", sa.BigInteger(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("superseded", sa.Boolean(), nullable=False),
        sa.Column("proposed_kind", sa.Text(), nullable=True),
        sa.Column("confirmed_kind", sa.Text(), nullable=True),
        sa.Column("counts_proposed", sa.Boolean(), nullable=False),
        sa.Column("counts_confirmed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("inspection", "string", "position", name=op.f("pk_flagged_cells")),
    )
    op.create_index(op.f("ix_flagged_cells_serial"), "flagged_cells", ["serial"], unique=False)
    op.create_table(
        "flags",
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("flag", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=True),
        sa.Column("string", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("machine_limit", sa.Text(), nullable=True),
        sa.Column("standing_limit", sa.Text(), nullable=True),
        sa.Column("score", sa.Float(), nullable=False),
        sa.Column("added", sa.Boolean(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("answered_by", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("standing", sa.Text(), nullable=True),
        sa.Column("closed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("inspection", "flag", name=op.f("pk_flags")),
    )
    op.create_table(
        "imports",
        sa.Column("file_sha256", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("done_at", sa.Text(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("file_sha256", "what", name=op.f("pk_imports")),
    )
    op.create_table(
        "inspected_counts",
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("stringer", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("cell_supplier", sa.Text(), nullable=False),
        sa.Column("cell_lot", sa.Text(), nullable=False),
        sa.Column("cells", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint(
            "day",
            "purpose",
            "stage",
            "product",
            "origin",
            "stringer",
            "lane",
            "cell_supplier",
            "cell_lot",
            name=op.f("pk_inspected_counts"),
        ),
    )
    op.create_table(
        "inspections",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("event_id", sa.BigInteger(), nullable=False),
        sa.Column("result_event_id", sa.BigInteger(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("retake", sa.Integer(), nullable=False),
        sa.Column("superseded", sa.Boolean(), nullable=False),
        sa.Column("seen_at", sa.Text(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("criteria", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=True),
        sa.Column("image_sha256", sa.Text(), nullable=True),
        sa.Column("usable", sa.Boolean(), nullable=False),
        sa.Column("panel_found", sa.Boolean(), nullable=False),
        sa.Column("layout", sa.Text(), nullable=False),
        sa.Column("layout_agrees", sa.Boolean(), nullable=False),
        sa.Column("proposal", sa.Text(), nullable=False),
        sa.Column("above_limit", sa.Integer(), nullable=False),
        sa.Column("scores", sa.LargeBinary(), nullable=False),
        sa.Column("decision", sa.Text(), nullable=True),
        sa.Column("decision_id", sa.Text(), nullable=True),
        sa.Column("decided_at", sa.Text(), nullable=True),
        sa.Column("decided_by", sa.Text(), nullable=True),
        sa.Column("decision_reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspections")),
    )
    op.create_index(
        op.f("ix_inspections_decision_superseded_event_id"),
        "inspections",
        ["decision", "superseded", "event_id"],
        unique=False,
    )
    op.create_index(op.f("ix_inspections_image_sha256"), "inspections", ["image_sha256"], unique=False)
    op.create_index(op.f("ix_inspections_serial"), "inspections", ["serial"], unique=False)
    op.create_index(op.f("ix_inspections_subject"), "inspections", ["subject"], unique=False)
    op.create_table(
        "kept_counts",
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("stringer", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("cell_supplier", sa.Text(), nullable=False),
        sa.Column("cell_lot", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("proposed", sa.BigInteger(), nullable=False),
        sa.Column("confirmed", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint(
            "day",
            "purpose",
            "stage",
            "product",
            "origin",
            "stringer",
            "lane",
            "cell_supplier",
            "cell_lot",
            "kind",
            name=op.f("pk_kept_counts"),
        ),
    )
    op.create_table(
        "locks",
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("fence", sa.BigInteger(), nullable=False),
        sa.Column("expires_at", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("subject", name=op.f("pk_locks")),
    )
    op.create_table(
        "outbox",
        sa.Column("decision", sa.Text(), nullable=False),
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("written_at", sa.Text(), nullable=False),
        sa.Column("sent_at", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("decision", name=op.f("pk_outbox")),
    )
    op.create_table(
        "people",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("role", sa.Text(), nullable=True),
        sa.Column("pin_hash", sa.Text(), nullable=True),
        sa.Column("erased_at", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("name", name=op.f("uq_people_name")),
    )
    op.create_table(
        "sign_ins",
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("person", "station", name=op.f("pk_sign_ins")),
    )


def downgrade() -> None:
    op.drop_table("sign_ins")
    op.drop_table("people")
    op.drop_table("outbox")
    op.drop_table("locks")
    op.drop_table("kept_counts")
    op.drop_index(op.f("ix_inspections_subject"), table_name="inspections")
    op.drop_index(op.f("ix_inspections_serial"), table_name="inspections")
    op.drop_index(op.f("ix_inspections_image_sha256"), table_name="inspections")
    op.drop_index(op.f("ix_inspections_decision_superseded_event_id"), table_name="inspections")
    op.drop_table("inspections")
    op.drop_table("inspected_counts")
    op.drop_table("imports")
    op.drop_table("flags")
    op.drop_index(op.f("ix_flagged_cells_serial"), table_name="flagged_cells")
    op.drop_table("flagged_cells")
    op.drop_table("events")
    op.drop_index(op.f("ix_evaluations_inspection"), table_name="evaluations")
    op.drop_table("evaluations")
    op.drop_table("context_rows")
    op.drop_table("chains")
