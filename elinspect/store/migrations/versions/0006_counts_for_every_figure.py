"""Counts of strings, pictures, places and handling; picture and limit of a flagged cell; second readings."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_TEXTS = ("seen_at", "station", "layout", "criteria", "model", "decided_by", "layup_machine", "bussing_machine")
_CELL_COLUMNS = (*_TEXTS, "reason")
_FLAGS = ("flags_proposed", "flags_confirmed")
_SAME = ("day", "purpose", "stage", "product")
_OF_STRINGS = ("stringer", "lane", "cell_supplier", "cell_lot", "operator", "layup_machine", "bussing_machine")


def upgrade() -> None:
    for name in _CELL_COLUMNS:
        op.add_column("flagged_cells", sa.Column(name, sa.Text(), nullable=False, server_default=""))
    op.add_column("flagged_cells", sa.Column("decided", sa.Boolean(), nullable=False, server_default=sa.false()))
    for name in _FLAGS:
        op.add_column("kept_counts", sa.Column(name, sa.BigInteger(), nullable=False, server_default="0"))
    counts = ("proposed", "confirmed", *_FLAGS)
    same = (*_SAME, "origin")
    _create("place_counts", (*same, "stringer", "lane"), ("position_as_built",), ("kind",), counts)
    _create("handling_counts", (*same, "ribbon_lot", "operator", "hour", "reason"), ("attempt",), ("kind",), counts)
    judged = ("model", "criteria", "station", "layout", "decided_by")
    _create("string_counts", (*_SAME, *judged, *_OF_STRINGS), ("decided",), (), ("strings",))
    _create("picture_counts", (*_SAME, "decision", "decided_by"), ("attempt", "judged"), (), ("pictures",))
    op.drop_index(op.f("ix_inspections_purpose_stage_day"), table_name="inspections")
    days = ["purpose", "stage", "day", "station", "seen_at"]
    op.create_index(op.f("ix_inspections_purpose_stage_day_station_seen_at"), "inspections", days)
    _second_readings()


def _second_readings() -> None:
    op.create_table(
        "second_reading_draws",
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("id", "purpose", "stage", "since", "until")),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("unflagged", sa.BigInteger(), nullable=False),
        sa.Column("asked", sa.Integer(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_second_reading_draws")),
    )
    op.create_table(
        "second_readings",
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("draw", "inspection")),
        sa.Column("number", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=True) for name in ("serial", "reader", "read_at")),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("draw", "inspection", name=op.f("pk_second_readings")),
    )
    op.create_index(op.f("ix_second_readings_inspection"), "second_readings", ["inspection"])
    op.create_table(
        "second_reading_cells",
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("draw", "inspection")),
        *(sa.Column(name, sa.Integer(), autoincrement=False, nullable=False) for name in ("string", "position")),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("draw", "inspection", "string", "position", name=op.f("pk_second_reading_cells")),
    )


def _create(
    table: str, texts: tuple[str, ...], numbers: tuple[str, ...], last: tuple[str, ...], counts: tuple[str, ...]
) -> None:
    op.create_table(
        table,
        *(sa.Column(name, sa.Text(), nullable=False) for name in texts),
        *(sa.Column(name, sa.Integer(), autoincrement=False, nullable=False) for name in numbers),
        *(sa.Column(name, sa.Text(), nullable=False) for name in last),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in counts),
        sa.PrimaryKeyConstraint(*texts, *numbers, *last, name=op.f(f"pk_{table}")),
    )


def downgrade() -> None:
    for table in ("second_reading_cells", "second_readings", "second_reading_draws"):
        op.drop_table(table)
    op.drop_index(op.f("ix_inspections_purpose_stage_day_station_seen_at"), table_name="inspections")
    op.create_index(op.f("ix_inspections_purpose_stage_day"), "inspections", ["purpose", "stage", "day"])
    for table in ("picture_counts", "string_counts", "handling_counts", "place_counts"):
        op.drop_table(table)
    for name in _FLAGS:
        op.drop_column("kept_counts", name)
    for name in (*_CELL_COLUMNS, "decided"):
        op.drop_column("flagged_cells", name)
