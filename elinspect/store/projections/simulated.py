"""Panels of a simulated plant, many in one event: they carry the purpose `demo` and were decided as simulated.

One event for each of a million panels would take hours; a block of them stands in the chain like any other event, and
the projections can be rebuilt from it.
"""

from collections import Counter
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection

from elinspect.frames import position_as_built
from elinspect.records import Disposition, Layout, Purpose
from elinspect.store.events import StoredEvent, inspection_id, panel_subject
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.projections.context import CONTEXT_FIELDS
from elinspect.store.projections.counting import DIMENSIONS, count_new
from elinspect.store.rows import insert_values
from elinspect.store.schema import context_rows, flagged_cells, inspections
from elinspect.store.scores import pack_scores

PANEL_FIELDS = (
    "serial",
    "seen_at",
    "stage",
    "attempt",
    "station",
    "product",
    "criteria",
    "model",
    "inspector",
    "made_as",
)
"""`made_as` is the number of the entry that holds the panel's strings: its own, or that of its first inspection."""
STRING_FIELDS = ("panel", "string", *CONTEXT_FIELDS)
FLAG_FIELDS = ("panel", "string", "position", "proposed", "confirmed", "along", "across")
"""`along` and `across` as `elinspect.frames.LanePlace` of a string that is not turned."""


def on_simulated_panels(connection: Connection, event: StoredEvent) -> None:
    """Write the panels of a block with their strings and flagged cells, and count them."""
    data = event.data
    layout = Layout.parse(data["layout"])
    panels = [dict(zip(PANEL_FIELDS, row, strict=True)) for row in data["panels"]]
    strings = {(row[0], row[1]): dict(zip(STRING_FIELDS, row, strict=True)) for row in data["strings"]}
    flags = [dict(zip(FLAG_FIELDS, row, strict=True)) for row in data["flags"]]
    above = Counter(flag["panel"] for flag in flags if flag["proposed"] is not None)
    confirmed = {flag["panel"] for flag in flags if flag["confirmed"] is not None}
    judged = [
        _inspection(event, layout, number, panel, above[number], number in confirmed)
        for number, panel in enumerate(panels)
    ]
    _insert(connection, inspections, judged)
    _insert(connection, context_rows, [_context(event, panels, string) for string in strings.values()])
    cells = [_cell(event, layout, panels, judged, strings, flag) for flag in flags]
    _insert(connection, flagged_cells, cells)
    _count(connection, layout, panels, judged, strings, cells)


def _insert(connection: Connection, table: Any, rows: list[dict[str, Any]]) -> None:
    if rows:
        insert_values(connection, table, tuple(rows[0]), [tuple(row.values()) for row in rows])


def _inspection(
    event: StoredEvent, layout: Layout, number: int, panel: dict[str, Any], flagged: int, confirmed: bool
) -> dict[str, Any]:
    decision = Disposition.REWORK if confirmed else Disposition.ACCEPT
    image = f"{event.station}:{event.number}:{number}"
    return {
        "id": inspection_id(panel["serial"], panel["stage"], Purpose.DEMO.value, image),
        "event_id": event.id,
        "result_event_id": event.id,
        "station": panel["station"],
        "subject": panel_subject(panel["serial"], ""),
        "serial": panel["serial"],
        "stage": panel["stage"],
        "purpose": Purpose.DEMO.value,
        "attempt": panel["attempt"],
        "retake": 0,
        "superseded": False,
        "seen_at": panel["seen_at"],
        "day": panel["seen_at"][:10],
        "product": panel["product"],
        "criteria": panel["criteria"],
        "model": panel["model"],
        "image_sha256": None,
        "usable": True,
        "panel_found": True,
        "layout": str(layout),
        "layout_agrees": True,
        "proposal": (Disposition.REWORK if flagged else Disposition.ACCEPT).value,
        "above_limit": flagged,
        "scores": _NO_SCORES,
        "decision": decision.value,
        "decision_id": f"{event.station}:{event.number}:{number}",
        "decided_at": panel["seen_at"],
        "decided_by": panel["inspector"],
        "decision_reason": "",
    }


_NO_SCORES = pack_scores([])


def _context(event: StoredEvent, panels: list[dict[str, Any]], string: dict[str, Any]) -> dict[str, Any]:
    fields = {name: string[name] for name in CONTEXT_FIELDS}
    head = {"serial": panels[string["panel"]]["serial"], "string": string["string"], "position": 0, "origin": IMPORTED}
    return {**head, "valid_from": event.id, "valid_to": None, "source": "", **fields}


def _cell(
    event: StoredEvent,
    layout: Layout,
    panels: list[dict[str, Any]],
    judged: list[dict[str, Any]],
    strings: dict[tuple[int, int], dict[str, Any]],
    flag: dict[str, Any],
) -> dict[str, Any]:
    number = flag["panel"]
    inspection, string = judged[number], strings[panels[number]["made_as"], flag["string"]]
    same = {name: inspection[name] for name in ("serial", "day", "purpose", "stage", "product", "attempt")}
    made = ("stringer", "lane", "cell_supplier", "cell_lot", "string_id", "cell_class", "ribbon_lot", "operator")
    return {
        "inspection": inspection["id"],
        "string": flag["string"],
        "position": flag["position"],
        "event_id": event.id,
        **same,
        "origin": IMPORTED,
        **{name: string[name] for name in (*made, "turned")},
        "position_as_built": position_as_built(layout, flag["position"], string["turned"]),
        "instance": 0,
        "superseded": False,
        "proposed_kind": flag["proposed"],
        "confirmed_kind": flag["confirmed"],
        "counts_proposed": flag["proposed"] is not None,
        "counts_confirmed": flag["confirmed"] is not None,
        "along": flag["along"],
        "across": flag["across"],
    }


def _count(
    connection: Connection,
    layout: Layout,
    panels: list[dict[str, Any]],
    judged: list[dict[str, Any]],
    strings: dict[tuple[int, int], dict[str, Any]],
    cells: list[dict[str, Any]],
) -> None:
    def keys(kind: str, counts: str) -> Counter[tuple[str, ...]]:
        return Counter((*_key(cell), cell[kind]) for cell in cells if cell[counts])

    inspected: Counter[tuple[str, ...]] = Counter()
    for panel, inspection in zip(panels, judged, strict=True):
        for number in range(1, layout.n_strings + 1) if panel["attempt"] == 1 else ():
            row = {**inspection, **strings[panel["made_as"], number], "origin": IMPORTED}
            inspected[_key(row)] += layout.cells_per_string
    flagged, confirmed = keys("proposed_kind", "counts_proposed"), keys("confirmed_kind", "counts_confirmed")
    count_new(connection, flagged, confirmed, inspected)


_key = itemgetter(*DIMENSIONS)
