"""Inspections, their flags and the cells that carry them."""

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, select, update

from elinspect.records import Layout
from elinspect.store.events import StoredEvent
from elinspect.store.projections.attribution import PanelContext, contexts_of
from elinspect.store.projections.counting import Scope, counted_change
from elinspect.store.schema import evaluations, flagged_cells, flags, inspections
from elinspect.store.scores import pack_scores

_Json = Mapping[str, Any]


def on_inspection(connection: Connection, event: StoredEvent) -> None:
    """Write an inspection with its flags; an earlier picture of the same attempt no longer counts."""
    result = event.data["result"]
    scope = Scope.of(result["serial"], event.data["inspection"])
    with counted_change(connection, scope, inspected=True):
        if result["serial"] is not None:
            _supersede(connection, result)
        row = {
            "id": event.data["inspection"],
            "event_id": event.id,
            "station": event.station,
            "subject": event.subject,
            "serial": result["serial"],
            "stage": result["stage"],
            "purpose": result["purpose"],
            "attempt": result["attempt"],
            "retake": event.data["retake"],
            "superseded": False,
            "seen_at": event.at,
            "day": event.at[:10],
            **_judged_columns(event, result),
        }
        connection.execute(inspections.insert().values(row))
        _write_flags(connection, event.data["inspection"], result)


def on_re_evaluation(connection: Connection, event: StoredEvent) -> None:
    """Keep a run under other versions; it takes the place of the first only where nobody has answered yet."""
    result, inspection = event.data["result"], event.data["inspection"]
    versions = json.dumps(result["versions"], sort_keys=True)
    connection.execute(evaluations.insert().values(event_id=event.id, inspection=inspection, versions=versions))
    if not event.data["stands"]:
        return
    with counted_change(connection, Scope.of(result["serial"], inspection), inspected=True):
        connection.execute(
            update(inspections).where(inspections.c.id == inspection).values(_judged_columns(event, result))
        )
        connection.execute(delete(flags).where(flags.c.inspection == inspection))
        connection.execute(delete(flagged_cells).where(flagged_cells.c.inspection == inspection))
        _write_flags(connection, inspection, result)


def _supersede(connection: Connection, result: _Json) -> None:
    same = [inspections.c[name] == result[name] for name in ("serial", "stage", "purpose", "attempt")]
    earlier = select(inspections.c.id).where(*same, ~inspections.c.superseded)
    ids = connection.execute(earlier).scalars().all()
    if ids:
        connection.execute(
            update(flagged_cells)
            .where(flagged_cells.c.inspection.in_(ids))
            .values(superseded=True, counts_proposed=False, counts_confirmed=False)
        )
        connection.execute(update(inspections).where(inspections.c.id.in_(ids)).values(superseded=True))


def _judged_columns(event: StoredEvent, result: _Json) -> dict[str, Any]:
    panel, layout = result["panel"], Layout.parse(result["panel"]["layout"])
    return {
        "result_event_id": event.id,
        "product": result["versions"]["recipe"],
        "criteria": result["versions"]["criteria"],
        "model": result["versions"]["model"],
        "image_sha256": result["image"]["sha256"],
        "usable": result["quality"]["usable"],
        "panel_found": panel["found"],
        "layout": panel["layout"],
        # What is found is found in the recipe's layout; a result with other cells is not of this layout.
        "layout_agrees": panel["found"] and len(result["cells"]) == layout.n_cells,
        "proposal": result["proposal"]["disposition"],
        "above_limit": sum(flag["limit"] is not None for flag in result["flags"]),
        "scores": pack_scores(result["cells"]),
    }


def _write_flags(connection: Connection, inspection: str, result: _Json) -> None:
    rows = [flag_columns(inspection, number, flag) for number, flag in enumerate(result["flags"], start=1)]
    if not rows:
        return
    connection.execute(flags.insert(), rows)
    primary: dict[tuple[int, int], str] = {}
    for row in rows:
        primary.setdefault((row["string"], row["position"]), row["kind"])
    for place, kind in primary.items():
        write_cell(connection, inspection, place, proposed_kind=kind)


def flag_columns(inspection: str, number: int, flag: _Json, *, added: bool = False) -> dict[str, Any]:
    """Return a row of `flags` for a flag as its event holds it."""
    return {
        "inspection": inspection,
        "flag": flag["id"],
        "number": number,
        "kind": flag["kind"],
        "mode": flag["mode"],
        "string": flag["string"] or 0,
        "position": flag["position"] or 0,
        "machine_limit": flag["limit"],
        "standing_limit": flag["limit"],
        "score": flag["score"],
        "added": added,
        "standing": json.dumps(flag) if added else None,
        "closed": False,
    }


def write_cell(
    connection: Connection,
    inspection: str,
    place: tuple[int, int],
    proposed_kind: str | None = None,
    confirmed_kind: str | None = None,
) -> None:
    """Write the row of a flagged cell with its production context."""
    row = connection.execute(select(inspections).where(inspections.c.id == inspection)).one()
    serials = (row.serial,) if row.serial is not None else ()
    context = contexts_of(connection, serials).get(row.serial, PanelContext())
    connection.execute(
        flagged_cells.insert().values(
            inspection=inspection,
            string=place[0],
            position=place[1],
            event_id=row.event_id,
            serial=row.serial,
            day=row.day,
            purpose=row.purpose,
            stage=row.stage,
            product=row.product,
            attempt=row.attempt,
            superseded=row.superseded,
            proposed_kind=proposed_kind,
            confirmed_kind=confirmed_kind,
            counts_proposed=False,
            counts_confirmed=False,
            **context.fields(Layout.parse(row.layout), *place, row.event_id),
        )
    )
