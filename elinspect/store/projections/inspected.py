"""Inspections, their flags and the cells that carry them."""

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, select, update

from elinspect.records import Layout
from elinspect.store.events import StoredEvent
from elinspect.store.projections.attribution import PanelContext, contexts_of
from elinspect.store.projections.counting import Scope, counted_change
from elinspect.store.schema import evaluations, flagged_cells, flags, inspections, versions
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
            **_judged_columns(connection, event, result),
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
            update(inspections).where(inspections.c.id == inspection).values(_judged_columns(connection, event, result))
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


def _judged_columns(connection: Connection, event: StoredEvent, result: _Json) -> dict[str, Any]:
    panel, layout = result["panel"], Layout.parse(result["panel"]["layout"])
    recipe = (versions.c.what == "recipe", versions.c.label == result["versions"]["recipe"])
    in_recipe = connection.execute(select(versions.c.layout).where(*recipe)).scalar_one_or_none()
    return {
        "result_event_id": event.id,
        "product": result["versions"]["recipe"],
        "criteria": result["versions"]["criteria"],
        "model": result["versions"]["model"],
        "image_sha256": result["image"]["sha256"],
        "usable": result["quality"]["usable"],
        "panel_found": panel["found"],
        "layout": panel["layout"],
        "layout_agrees": panel["found"]
        and len(result["cells"]) == layout.n_cells
        and in_recipe in (None, panel["layout"]),
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
    write_cells(connection, inspection, proposed=primary)


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


_Places = Mapping[tuple[int, int], str]


def write_cells(
    connection: Connection, inspection: str, *, proposed: _Places | None = None, confirmed: _Places | None = None
) -> None:
    """Write rows of flagged cells, with their kind and their production context."""
    proposed, confirmed = proposed or {}, confirmed or {}
    row = connection.execute(select(inspections).where(inspections.c.id == inspection)).one()
    serials = (row.serial,) if row.serial is not None else ()
    context = contexts_of(connection, serials).get(row.serial, PanelContext())
    layout = Layout.parse(row.layout)
    same = {name: getattr(row, name) for name in _OF_INSPECTION}
    rows = [
        {
            **same,
            "inspection": inspection,
            "string": place[0],
            "position": place[1],
            "proposed_kind": proposed.get(place),
            "confirmed_kind": confirmed.get(place),
            "counts_proposed": False,
            "counts_confirmed": False,
            **context.fields(layout, *place, row.event_id),
        }
        for place in {**proposed, **confirmed}
    ]
    connection.execute(flagged_cells.insert(), rows)


_OF_INSPECTION = ("event_id", "serial", "day", "purpose", "stage", "product", "attempt", "superseded")
