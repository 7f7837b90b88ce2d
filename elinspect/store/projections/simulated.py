"""Panels of a simulated plant, many in one event: they carry the purpose `demo` and were decided as simulated.

One event for each of a million panels would take hours; a block of them stands in the chain like any other event, and
the projections can be rebuilt from it.
"""

from collections import Counter
from collections.abc import Iterator
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection

from elinspect.records import Answer, Disposition, Layout, Purpose
from elinspect.store.events import StoredEvent, panel_subject
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.projections.context import CONTEXT_FIELDS
from elinspect.store.projections.counting import (
    CELL_DIMENSIONS,
    CONFIRMED,
    FLAG_CONFIRMED,
    FLAG_PROPOSED,
    PROPOSED,
    Tally,
    count_new,
)
from elinspect.store.rows import insert_values
from elinspect.store.schema import context_rows, flagged_cells, flags, inspections
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
FLAG_FIELDS = ("panel", "string", "position", "proposed", "confirmed", "along", "across", "score")
"""`along` and `across` as `elinspect.frames.LanePlace` of a string that is not turned; older logs have no `score`."""


def on_simulated_panels(connection: Connection, event: StoredEvent) -> None:
    """Write the panels of a block with their strings, flags and flagged cells, and count them."""
    block = _Block(event)
    insert_values(connection, inspections, _INSPECTION_COLUMNS, block.inspections())
    insert_values(connection, context_rows, _CONTEXT_COLUMNS, block.context())
    insert_values(connection, flagged_cells, _CELL_COLUMNS, block.cells())
    insert_values(connection, flags, _FLAG_COLUMNS, block.flags())
    count_new(connection, block.tally())


_FIELD_AT = {name: at for at, name in enumerate(STRING_FIELDS)}
_INSPECTION_COLUMNS = tuple(column.name for column in inspections.c)
_CONTEXT_COLUMNS = tuple(column.name for column in context_rows.c)
_CELL_COLUMNS = tuple(column.name for column in flagged_cells.c)
_FLAG_COLUMNS = (
    *("inspection", "flag", "number", "kind", "mode", "string", "position", "machine_limit", "standing_limit"),
    *("score", "added", "answer", "answered_by", "note", "standing", "closed"),
)
_NO_SCORES = pack_scores([])
_KINDS = ("proposed_kind", "confirmed_kind", "attempt")
_OF_CELL = tuple(
    itemgetter(*(_CELL_COLUMNS.index("seen_at" if name == "hour" else name) for name in (*names, *_KINDS)))
    for names in CELL_DIMENSIONS
)
_HANDLING = 2
_HOUR_AT = CELL_DIMENSIONS[_HANDLING].index("hour")
_PROPOSED, _CONFIRMED = (PROPOSED, FLAG_PROPOSED), (CONFIRMED, FLAG_CONFIRMED)


class _Block:
    """Rows of one event, as tuples in the order of the columns: a million panels have twenty million rows."""

    def __init__(self, event: StoredEvent) -> None:
        data = event.data
        self._event = event
        self._layout = Layout.parse(data["layout"])
        self._panels = data["panels"]
        self._strings = {(row[0], row[1]): row for row in data["strings"]}
        self._flags = data["flags"]
        self._ids = [f"{event.id:016x}{number:08x}" for number in range(len(self._panels))]
        self._above = Counter(flag[0] for flag in self._flags if flag[3] is not None)
        confirmed = {flag[0] for flag in self._flags if flag[4] is not None}
        accepted, rework = Disposition.ACCEPT.value, Disposition.REWORK.value
        self._decisions = [rework if number in confirmed else accepted for number in range(len(self._panels))]
        self._of_panel = [self._panel_part(number, panel) for number, panel in enumerate(self._panels)]
        self._cells = [self._cell(flag) for flag in self._flags]

    def inspections(self) -> list[tuple[Any, ...]]:
        """Return rows of `inspections`."""
        return [self._inspection(number, panel) for number, panel in enumerate(self._panels)]

    def _inspection(self, number: int, panel: list[Any]) -> tuple[Any, ...]:
        serial, seen_at, stage, attempt, station, product, criteria, model, inspector, _ = panel
        above, event = self._above[number], self._event
        proposal = (Disposition.REWORK if above else Disposition.ACCEPT).value
        named = {
            "id": self._ids[number],
            "event_id": event.id,
            "result_event_id": event.id,
            "station": station,
            "subject": panel_subject(serial, ""),
            "serial": serial,
            "stage": stage,
            "purpose": Purpose.DEMO.value,
            "attempt": attempt,
            "retake": 0,
            "superseded": False,
            "seen_at": seen_at,
            "day": seen_at[:10],
            "product": product,
            "criteria": criteria,
            "model": model,
            "image_sha256": None,
            "usable": True,
            "panel_found": True,
            "signal_to_noise": None,
            "sharpness_px": None,
            "layout": str(self._layout),
            "layout_agrees": True,
            "proposal": proposal,
            "above_limit": above,
            "scores": _NO_SCORES,
            "decision": self._decisions[number],
            "decision_id": f"{event.station}:{event.number}:{number}",
            "decided_at": seen_at,
            "decided_by": inspector,
            "decision_reason": "",
        }
        return tuple(map(named.__getitem__, _INSPECTION_COLUMNS))

    def context(self) -> list[tuple[Any, ...]]:
        """Return rows of `context_rows`."""
        # In the order of the table: serial, string, position, origin, validity, source, string_id ... turned ...
        at = [_FIELD_AT[name] for name in _CONTEXT_COLUMNS[7:]]
        pick, event, panels = itemgetter(*at), self._event.id, self._panels
        return [(panels[row[0]][0], row[1], 0, IMPORTED, event, None, "", *pick(row)) for row in self._strings.values()]

    def cells(self) -> list[tuple[Any, ...]]:
        """Return rows of `flagged_cells`."""
        return self._cells

    def _cell(self, flag: list[Any]) -> tuple[Any, ...]:
        number, string, position, proposed, confirmed = flag[:5]
        made = self._strings[self._panels[number][9], string]
        as_built = self._layout.cells_per_string + 1 - position if made[_TURNED] else position
        counted = (proposed, confirmed, proposed is not None, confirmed is not None)
        own = (string, position, as_built, *counted, flag[5], flag[6], _limit(confirmed or proposed))
        row: tuple[Any, ...] = _PICK_CELL((*own, *self._of_panel[number], *made))
        return row

    def _panel_part(self, number: int, panel: list[Any]) -> tuple[Any, ...]:
        serial, seen_at, stage, attempt, station, product, criteria, model, inspector, _ = panel
        head = (self._ids[number], self._event.id, serial, seen_at[:10], Purpose.DEMO.value, stage, product, IMPORTED)
        judged = (seen_at, station, str(self._layout), criteria, model or "", True, inspector or "")
        return (*head, 0, attempt, False, *judged)

    def flags(self) -> list[tuple[Any, ...]]:
        """Return rows of `flags`: one for each flagged cell."""
        return [self._flag(number, flag) for number, flag in enumerate(self._flags, start=1)]

    def _flag(self, number: int, flag: list[Any]) -> tuple[Any, ...]:
        panel, string, position, proposed, confirmed = flag[:5]
        kind, added = confirmed or proposed, proposed is None
        limit, score = _limit(kind), flag[7] if len(flag) > 7 else 1.0
        answer = Answer.CONFIRMED.value if confirmed is not None else Answer.DISMISSED.value
        head = (self._ids[panel], f"f{number}", number, kind, None, string, position, None if added else limit, limit)
        return (*head, score, added, None if added else answer, self._panels[panel][8], None, None, False)

    def tally(self) -> Tally:
        """Return what all of it counts."""
        tally = Tally()
        for table, (keys, counter) in enumerate(zip(_OF_CELL, tally.cells, strict=True)):
            for key, n in Counter(map(keys, self._cells)).items():
                *dimensions, proposed, confirmed, attempt = key
                if table == _HANDLING:
                    dimensions[_HOUR_AT] = dimensions[_HOUR_AT][11:13]
                for kind, counts in ((proposed, _PROPOSED), (confirmed, _CONFIRMED)):
                    for count in counts[: 2 if attempt == 1 else 1] if kind is not None else ():
                        counter[*dimensions, kind, count] += n
        for number, panel in enumerate(self._panels):
            self._count(tally, number, panel)
        return tally

    def _count(self, tally: Tally, number: int, panel: list[Any]) -> None:
        _, seen_at, stage, attempt, station, product, criteria, model, inspector, made_as = panel
        head = (seen_at[:10], Purpose.DEMO.value, stage, product)
        tally.pictures[*head, self._decisions[number], inspector or "", attempt, 1] += 1
        if attempt != 1:
            return
        judged = (*head, model or "", criteria, station, str(self._layout), inspector or "")
        per_string = self._layout.cells_per_string
        for string in self._made(made_as):
            tally.inspected[*head, IMPORTED, *_COUNTED_OF(string)] += per_string
            tally.handled[*head, IMPORTED, *_HANDLED_OF(string), seen_at[11:13]] += per_string
            tally.strings[*judged, *_STRING_OF(string), 1] += 1

    def _made(self, made_as: int) -> Iterator[list[Any]]:
        return (self._strings[made_as, string] for string in range(1, self._layout.n_strings + 1))


def _limit(kind: str) -> str:
    return f"{kind}.any"


_COUNTED = ("stringer", "lane", "cell_supplier", "cell_lot")
_HANDLED = ("operator", "layup_machine", "bussing_machine")
_TURNED = _FIELD_AT["turned"]
_OF_FLAG = (
    *("string", "position", "position_as_built", "proposed_kind", "confirmed_kind"),
    *("counts_proposed", "counts_confirmed", "along", "across", "reason"),
)
_OF_PANEL = (
    *("inspection", "event_id", "serial", "day", "purpose", "stage", "product", "origin", "instance", "attempt"),
    *("superseded", "seen_at", "station", "layout", "criteria", "model", "decided", "decided_by"),
)
_PICK_CELL = itemgetter(*((*_OF_FLAG, *_OF_PANEL, "", "", *CONTEXT_FIELDS).index(name) for name in _CELL_COLUMNS))
_COUNTED_OF = itemgetter(*(_FIELD_AT[name] for name in _COUNTED))
_HANDLED_OF = itemgetter(_FIELD_AT["ribbon_lot"], _FIELD_AT["operator"])
_STRING_OF = itemgetter(*(_FIELD_AT[name] for name in (*_COUNTED, *_HANDLED)))
