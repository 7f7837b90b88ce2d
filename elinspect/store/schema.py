"""The tables as they are now; how they came about stands in ``migrations``.

`events` and `chains` are the log. `people` holds what may be erased. `locks` and `outbox` are the working state of
connected stations. Everything else is a projection and can be rebuilt from the events.

In keys, an empty text or 0 stands for 'not known' or 'none': a key must not hold NULL.
"""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

HEAD_REVISION = "0008"
"""Newest migration this program knows."""

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)

_RecordId = BigInteger().with_variant(Integer(), "sqlite")  # only INTEGER is SQLite's own row number

events = Table(
    "events",
    metadata,
    Column("id", _RecordId, primary_key=True, autoincrement=True),
    Column("station", Text, nullable=False),
    Column("number", BigInteger, nullable=False),
    Column("subject", Text, nullable=False),
    Column("version", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    Column("body", LargeBinary, nullable=False),
    UniqueConstraint("station", "number"),
    UniqueConstraint("subject", "version"),
)

chains = Table(
    "chains",
    metadata,
    Column("station", Text, primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)

people = Table(
    "people",
    metadata,
    Column("id", Text, primary_key=True),
    Column("name", Text, unique=True),
    Column("role", Text),
    Column("pin_hash", Text),
    Column("badge_hash", Text),
    Column("erased_at", Text),
)

locks = Table(
    "locks",
    metadata,
    Column("subject", Text, primary_key=True),
    Column("station", Text, nullable=False),
    Column("fence", BigInteger, nullable=False),
    Column("expires_at", Float, nullable=False),
)

outbox = Table(
    "outbox",
    metadata,
    Column("decision", Text, primary_key=True),
    Column("inspection", Text, nullable=False),
    Column("message", Text, nullable=False),
    Column("written_at", Text, nullable=False),
    Column("sent_at", Text),
    Column("received_at", Text),
)

sign_ins = Table(
    "sign_ins",
    metadata,
    Column("person", Text, primary_key=True),
    Column("station", Text, primary_key=True),
    Column("role", Text, nullable=False),
    Column("at", Text, nullable=False),
)

inspections = Table(
    "inspections",
    metadata,
    Column("id", Text, primary_key=True),
    Column("event_id", BigInteger, nullable=False),
    Column("result_event_id", BigInteger, nullable=False),
    Column("station", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("serial", Text),
    Column("stage", Text, nullable=False),
    Column("purpose", Text, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("retake", Integer, nullable=False),
    Column("superseded", Boolean, nullable=False),
    Column("seen_at", Text, nullable=False),
    Column("day", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("criteria", Text, nullable=False),
    Column("model", Text),
    Column("image_sha256", Text),
    Column("usable", Boolean, nullable=False),
    Column("panel_found", Boolean, nullable=False),
    Column("signal_to_noise", Float),
    Column("sharpness_px", Float),
    Column("layout", Text, nullable=False),
    Column("layout_agrees", Boolean, nullable=False),
    Column("proposal", Text, nullable=False),
    Column("above_limit", Integer, nullable=False),
    Column("scores", LargeBinary, nullable=False),
    Column("decision", Text),
    Column("decision_id", Text),
    Column("decided_at", Text),
    Column("decided_by", Text),
    Column("decision_reason", Text),
    Index(None, "serial"),
    Index(None, "subject"),
    Index(None, "image_sha256"),
    Index(None, "decision", "superseded", "event_id"),
    Index(None, "event_id"),
    Index(None, "purpose", "stage", "day", "station", "seen_at"),
)

exposure_files = Table(
    "exposure_files",
    metadata,
    Column("inspection", Text, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("role", Text, nullable=False),
    Column("path", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Index(None, "sha256"),
)

evaluations = Table(
    "evaluations",
    metadata,
    Column("event_id", BigInteger, primary_key=True, autoincrement=False),
    Column("inspection", Text, nullable=False),
    Column("versions", Text, nullable=False),
    Index(None, "inspection"),
)

flags = Table(
    "flags",
    metadata,
    Column("inspection", Text, primary_key=True),
    Column("flag", Text, primary_key=True),
    Column("number", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("mode", Text),
    Column("string", Integer, nullable=False),
    Column("position", Integer, nullable=False),
    Column("machine_limit", Text),
    Column("standing_limit", Text),
    Column("score", Float, nullable=False),
    Column("added", Boolean, nullable=False),
    Column("answer", Text),
    Column("answered_by", Text),
    Column("note", Text),
    Column("parent", Text),
    Column("standing", Text),
    Column("closed", Boolean, nullable=False),
)


def _production_columns() -> list[Column[str]]:
    """Return the columns by which flags are counted; empty texts are 'not known'."""
    names = ("day", "purpose", "stage", "product", "origin", "stringer", "lane", "cell_supplier", "cell_lot")
    return [Column(name, Text, nullable=False) for name in names]


flagged_cells = Table(
    "flagged_cells",
    metadata,
    Column("inspection", Text, primary_key=True),
    Column("string", Integer, primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("event_id", BigInteger, nullable=False),
    Column("serial", Text),
    *_production_columns(),
    Column("string_id", Text, nullable=False),
    Column("cell_class", Text, nullable=False),
    Column("ribbon_lot", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("turned", Boolean),
    Column("position_as_built", Integer, nullable=False),
    Column("instance", BigInteger, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("superseded", Boolean, nullable=False),
    Column("proposed_kind", Text),
    Column("confirmed_kind", Text),
    Column("counts_proposed", Boolean, nullable=False),
    Column("counts_confirmed", Boolean, nullable=False),
    Column("along", Float),
    Column("across", Float),
    *[Column(name, Text, nullable=False) for name in ("seen_at", "station", "layout", "criteria", "model")],
    Column("decided", Boolean, nullable=False),
    *[Column(name, Text, nullable=False) for name in ("decided_by", "layup_machine", "bussing_machine", "reason")],
    Index(None, "serial"),
    Index(None, "purpose", "stage", "day"),
)


def _counts_of_cells(name: str, texts: tuple[str, ...], numbers: tuple[str, ...] = ()) -> Table:
    """Return a table of how many cells and flags were proposed and confirmed, by columns of `flagged_cells`."""
    keys: list[Column[Any]] = [Column(key, Text, primary_key=True) for key in texts]
    keys += [Column(key, Integer, primary_key=True, autoincrement=False) for key in numbers]
    counted = ("proposed", "confirmed", "flags_proposed", "flags_confirmed")
    counts = [Column(count, BigInteger, nullable=False) for count in counted]
    return Table(name, metadata, *keys, Column("kind", Text, primary_key=True), *counts)


_SAME = ("day", "purpose", "stage", "product", "origin")
kept_counts = _counts_of_cells("kept_counts", (*_SAME, "stringer", "lane", "cell_supplier", "cell_lot"))
place_counts = _counts_of_cells("place_counts", (*_SAME, "stringer", "lane"), ("position_as_built",))
handling_counts = _counts_of_cells(
    "handling_counts", (*_SAME, "ribbon_lot", "operator", "hour", "reason"), ("attempt",)
)

inspected_counts = Table(
    "inspected_counts",
    metadata,
    *[Column(column.name, Text, primary_key=True) for column in _production_columns()],
    Column("cells", BigInteger, nullable=False),
)

handled_counts = Table(
    "handled_counts",
    metadata,
    *[Column(name, Text, primary_key=True) for name in (*_SAME, "ribbon_lot", "operator", "hour")],
    Column("cells", BigInteger, nullable=False),
)

string_counts = Table(
    "string_counts",
    metadata,
    *[Column(name, Text, primary_key=True) for name in ("day", "purpose", "stage", "product", "model", "criteria")],
    *[Column(name, Text, primary_key=True) for name in ("station", "layout", "decided_by")],
    *[Column(name, Text, primary_key=True) for name in ("stringer", "lane", "cell_supplier", "cell_lot")],
    *[Column(name, Text, primary_key=True) for name in ("operator", "layup_machine", "bussing_machine")],
    Column("decided", Integer, primary_key=True, autoincrement=False),
    Column("strings", BigInteger, nullable=False),
)

picture_counts = Table(
    "picture_counts",
    metadata,
    *[Column(name, Text, primary_key=True) for name in ("day", "purpose", "stage", "product")],
    *[Column(name, Text, primary_key=True) for name in ("decision", "decided_by")],
    *[Column(name, Integer, primary_key=True, autoincrement=False) for name in ("attempt", "judged")],
    Column("pictures", BigInteger, nullable=False),
)

context_rows = Table(
    "context_rows",
    metadata,
    Column("serial", Text, primary_key=True),
    Column("string", Integer, primary_key=True, autoincrement=False),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("origin", Text, primary_key=True),
    Column("valid_from", BigInteger, primary_key=True, autoincrement=False),
    Column("valid_to", BigInteger),
    Column("source", Text, nullable=False),
    Column("string_id", Text, nullable=False),
    Column("stringer", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("turned", Boolean),
    Column("built_at", Text, nullable=False),
    Column("cell_lot", Text, nullable=False),
    Column("cell_supplier", Text, nullable=False),
    Column("cell_class", Text, nullable=False),
    Column("ribbon_lot", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("layup_machine", Text, nullable=False),
    Column("bussing_machine", Text, nullable=False),
    Column("el_station", Text, nullable=False),
)

imports = Table(
    "imports",
    metadata,
    Column("file_sha256", Text, primary_key=True),
    Column("what", Text, primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("done_at", Text, nullable=False),
    Column("rows", BigInteger, nullable=False),
)

reworks = Table(
    "reworks",
    metadata,
    Column("event_id", BigInteger, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("serial", Text, nullable=False),
    Column("inspection", Text),
    Column("work", Text, nullable=False),
    Column("string", Integer, nullable=False),
    Column("position", Integer, nullable=False),
    Column("new_string_id", Text, nullable=False),
    Column("fate", Text, nullable=False),
    Column("minutes", Float),
    Column("note", Text, nullable=False),
    Column("person", Text),
    Column("at", Text, nullable=False),
    Index(None, "serial"),
)

maintenance_events = Table(
    "maintenance_events",
    metadata,
    Column("machine", Text, primary_key=True),
    Column("lane", Text, primary_key=True),
    Column("started_at", Text, primary_key=True),
    Column("what", Text, primary_key=True),
    Column("ended_at", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("source", Text, nullable=False),
)

flash_results = Table(
    "flash_results",
    metadata,
    Column("serial", Text, primary_key=True),
    Column("measured_at", Text, primary_key=True),
    Column("power_w", Float),
    Column("voc_v", Float),
    Column("isc_a", Float),
    Column("vmp_v", Float),
    Column("imp_a", Float),
    Column("fill_factor", Float),
    Column("module_class", Text, nullable=False),
    Column("tester", Text, nullable=False),
    Column("source", Text, nullable=False),
)

versions = Table(
    "versions",
    metadata,
    Column("what", Text, primary_key=True),
    Column("label", Text, primary_key=True),
    Column("sha256", Text, nullable=False),
    Column("layout", Text),
    Column("event_id", BigInteger, nullable=False),
)

holds = Table(
    "holds",
    metadata,
    Column("inspection", Text, primary_key=True),
    Column("decision_id", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("person", Text),
    Column("owner", Text),
    Column("reason", Text, nullable=False),
    Column("ended_by", Text),
)

audit_results = Table(
    "audit_results",
    metadata,
    Column("event_id", BigInteger, primary_key=True, autoincrement=False),
    Column("inspection", Text, nullable=False),
    Column("serial", Text),
    Column("disposition", Text, nullable=False),
    Column("agrees", Boolean, nullable=False),
    Column("note", Text, nullable=False),
    Column("person", Text),
    Column("at", Text, nullable=False),
    Index(None, "inspection"),
)

second_reading_draws = Table(
    "second_reading_draws",
    metadata,
    Column("id", Text, primary_key=True),
    Column("purpose", Text, nullable=False),
    Column("stage", Text, nullable=False),
    Column("since", Text, nullable=False),
    Column("until", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("unflagged", BigInteger, nullable=False),
    Column("asked", Integer, nullable=False),
    Column("person", Text),
    Column("at", Text, nullable=False),
)

second_readings = Table(
    "second_readings",
    metadata,
    Column("draw", Text, primary_key=True),
    Column("inspection", Text, primary_key=True),
    Column("number", Integer, nullable=False),
    Column("serial", Text),
    Column("reader", Text),
    Column("read_at", Text),
    Column("note", Text, nullable=False),
    Index(None, "inspection"),
)

second_reading_cells = Table(
    "second_reading_cells",
    metadata,
    Column("draw", Text, primary_key=True),
    Column("inspection", Text, primary_key=True),
    Column("string", Integer, primary_key=True, autoincrement=False),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("kind", Text, nullable=False),
)

removed_pictures = Table(
    "removed_pictures",
    metadata,
    Column("inspection", Text, primary_key=True),
    Column("path", Text, nullable=False),
    Column("removed_at", Text, nullable=False),
)

PROJECTIONS = (
    sign_ins,
    inspections,
    exposure_files,
    evaluations,
    flags,
    flagged_cells,
    kept_counts,
    place_counts,
    handling_counts,
    inspected_counts,
    handled_counts,
    string_counts,
    picture_counts,
    context_rows,
    imports,
    reworks,
    maintenance_events,
    flash_results,
    versions,
    holds,
    audit_results,
    second_reading_draws,
    second_readings,
    second_reading_cells,
    removed_pictures,
)
"""Tables that `rebuild` empties and fills again from the events."""
