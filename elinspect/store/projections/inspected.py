"""Inspections, their flags and the cells that carry them."""

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from elinspect.frames import LanePlace
from elinspect.records import Disposition, ExposureRole, Layout
from elinspect.store.events import StoredEvent, record_id
from elinspect.store.projections.attribution import PanelContext, contexts_of
from elinspect.store.projections.counting import Scope, counted_change
from elinspect.store.projections.places import flag_place
from elinspect.store.rows import delete_by, insert_rows, row_by, rows_by, update_by
from elinspect.store.schema import evaluations, exposure_files, flagged_cells, flags, holds, inspections, versions
from elinspect.store.scores import pack_scores

_Json = Mapping[str, Any]


def on_inspection(connection: Connection, event: StoredEvent) -> None:
    """Write an inspection with its flags; an earlier picture of the same attempt no longer counts."""
    result = event.data["result"]
    scope = Scope.of(result["serial"], event.data["inspection"])
    with counted_change(connection, scope, inspected=True):
        if result["serial"] is not None:
            _supersede(connection, result)
            _end_holds(connection, event)
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
        insert_rows(connection, inspections, [row])
        insert_rows(connection, exposure_files, _files(event.data["inspection"], result["image"]))
        _write_flags(connection, event.data["inspection"], result)


def on_re_evaluation(connection: Connection, event: StoredEvent) -> None:
    """Keep a run under other versions; it takes the place of the first only where nobody has answered yet."""
    result, inspection = event.data["result"], event.data["inspection"]
    version_text = json.dumps(result["versions"], sort_keys=True)
    insert_rows(connection, evaluations, [{"event_id": event.id, "inspection": inspection, "versions": version_text}])
    if not event.data["stands"]:
        return
    with counted_change(connection, Scope.of(result["serial"], inspection), inspected=True):
        update_by(connection, inspections, _judged_columns(connection, event, result), id=inspection)
        delete_by(connection, flags, inspection=inspection)
        delete_by(connection, flagged_cells, inspection=inspection)
        _write_flags(connection, inspection, result)


def _files(inspection: str, image: _Json) -> list[dict[str, Any]]:
    """Return a row for every file of an exposure set; events of older programs know the hash of the first one only."""
    first = {"path": image["path"], "sha256": image["sha256"], "role": ExposureRole.FULL_CURRENT.value}
    files = image.get("files") or ([first] if image["sha256"] is not None else [])
    return [{"inspection": inspection, "number": number, **file} for number, file in enumerate(files, start=1)]


def on_serial_given(connection: Connection, event: StoredEvent) -> None:
    """The picture counts under the serial it was given; without one it is no panel any more."""
    with counted_change(connection, Scope.of(None, event.data["inspection"]), inspected=True):
        _no_longer_counts(connection, event.data["inspection"])


def _supersede(connection: Connection, result: _Json) -> None:
    same = {name: result[name] for name in ("serial", "stage", "purpose", "attempt")}
    for earlier in rows_by(connection, inspections, superseded=False, **same):
        _no_longer_counts(connection, earlier.id)


def _end_holds(connection: Connection, event: StoredEvent) -> None:
    """A new picture of the panel at the same stage ends every hold on it, also one of an earlier attempt."""
    result = event.data["result"]
    same = {name: result[name] for name in ("stage", "purpose")}
    for earlier in rows_by(connection, inspections, subject=event.subject, decision=Disposition.HOLD.value, **same):
        if row_by(connection, holds, inspection=earlier.id).ended_by is None:
            update_by(connection, holds, {"ended_by": record_id(event)}, inspection=earlier.id)


def _no_longer_counts(connection: Connection, inspection: str) -> None:
    uncounted = {"superseded": True, "counts_proposed": False, "counts_confirmed": False}
    update_by(connection, flagged_cells, uncounted, inspection=inspection)
    update_by(connection, inspections, {"superseded": True}, id=inspection)


def _judged_columns(connection: Connection, event: StoredEvent, result: _Json) -> dict[str, Any]:
    panel, layout = result["panel"], Layout.parse(result["panel"]["layout"])
    recipe = row_by(connection, versions, what="recipe", label=result["versions"]["recipe"])
    return {
        "result_event_id": event.id,
        "product": result["versions"]["recipe"],
        "criteria": result["versions"]["criteria"],
        "model": result["versions"]["model"],
        "image_sha256": result["image"]["sha256"],
        "usable": result["quality"]["usable"],
        "panel_found": panel["found"],
        "signal_to_noise": result["quality"]["signal_to_noise"],
        "sharpness_px": result["quality"]["sharpness_px"],
        "layout": panel["layout"],
        "layout_agrees": panel["found"]
        and len(result["cells"]) == layout.n_cells
        and recipe is not None
        and recipe.layout == panel["layout"],
        "proposal": result["proposal"]["disposition"],
        "above_limit": sum(flag["limit"] is not None for flag in result["flags"]),
        "scores": pack_scores(result["cells"]),
    }


def _write_flags(connection: Connection, inspection: str, result: _Json) -> None:
    rows = [flag_columns(inspection, number, flag) for number, flag in enumerate(result["flags"], start=1)]
    if not rows:
        return
    insert_rows(connection, flags, rows)
    primary: dict[tuple[int, int], str] = {}
    places: dict[tuple[int, int], LanePlace | None] = {}
    for row, flag in zip(rows, result["flags"], strict=True):
        place = (row["string"], row["position"])
        if place not in primary and not flag.get("doubtful", False):
            primary[place], places[place] = row["kind"], flag_place(result, flag)
    write_cells(connection, inspection, proposed=primary, in_cell=places)


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
        "parent": flag.get("parent"),
        "standing": json.dumps(flag) if added else None,
        "closed": False,
    }


_Places = Mapping[tuple[int, int], str]


def write_cells(
    connection: Connection,
    inspection: str,
    *,
    proposed: _Places | None = None,
    confirmed: _Places | None = None,
    in_cell: Mapping[tuple[int, int], LanePlace | None] | None = None,
) -> None:
    """Write rows of flagged cells, with their kind, their production context and their place in the cell."""
    proposed, confirmed, in_cell = proposed or {}, confirmed or {}, in_cell or {}
    row = row_by(connection, inspections, id=inspection)
    serials = (row.serial,) if row.serial is not None else ()
    context = contexts_of(connection, serials).get(row.serial, PanelContext())
    layout = Layout.parse(row.layout)
    same = {name: getattr(row, name) for name in _OF_INSPECTION}
    same |= {"model": row.model or "", "decided_by": row.decided_by or "", "decided": row.decision is not None}
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
            "reason": "",
            "along": where.along if (where := in_cell.get(place)) is not None else None,
            "across": where.across if where is not None else None,
            **context.fields(layout, *place, row.event_id),
        }
        for place in {**proposed, **confirmed}
    ]
    insert_rows(connection, flagged_cells, rows)


_OF_INSPECTION = (
    *("event_id", "serial", "day", "purpose", "stage", "product", "attempt", "superseded"),
    *("seen_at", "station", "layout", "criteria"),
)
