"""Which production context a place in a panel had when an inspection saw it."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection, bindparam, select

from elinspect.frames import position_as_built
from elinspect.records import Layout
from elinspect.store.schema import context_rows

IMPORTED, BENCH, PANEL, UNKNOWN = "imported", "bench", "panel", ""
"""Origins: made by a stringer, replaced at the bench, belongs to no string, not known."""

_COUNTED = ("stringer", "lane", "cell_supplier", "cell_lot")
_HANDLED = ("ribbon_lot", "operator")
_FIELDS = (*_COUNTED, "string_id", "cell_class", "ribbon_lot", "operator", "layup_machine", "bussing_machine")
_COUNTED_OF, _FIELDS_OF = attrgetter(*_COUNTED, *_HANDLED), attrgetter(*_FIELDS)  # an import does this for every string
_NOT_COUNTED, _NO_FIELDS = ("",) * len(_COUNTED + _HANDLED), ("",) * len(_FIELDS)


class PanelContext:
    """The context rows of one panel.

    A place is the original until the bench replaced it: an inspection before the replacement keeps the stringer, a
    later one has origin `bench`. A corrected import changes what is said about the original, whenever it was inspected.
    """

    def __init__(self, rows: Collection[Any] = ()) -> None:
        self._imported = {row.string: row for row in rows if row.origin == IMPORTED}
        self._bench = sorted((row for row in rows if row.origin == BENCH), key=lambda row: row.valid_from)

    @property
    def imported(self) -> Collection[Any]:
        """The rows of the strings the stringers made."""
        return self._imported.values()

    def replaced_places(self, as_of: int) -> dict[tuple[int, int], int]:
        """Return the instance of every place the bench replaced before an event; position 0 is the whole string."""
        return {(row.string, row.position): row.valid_from for row in self._bench if row.valid_from < as_of}

    def fields(self, layout: Layout, string: int, position: int, as_of: int) -> dict[str, Any]:
        """Return the columns of `flagged_cells` that say where a place came from, as seen at an event.

        `string` 0 is the panel as a whole, `position` 0 the string as a whole.
        """
        row, instance = self._row(string, position, as_of)
        turned = row.turned if row is not None else None
        as_built = position_as_built(layout, position, turned) if position and turned is not None else 0
        said = _FIELDS_OF(row) if row is not None else _NO_FIELDS
        return {
            "origin": _origin(row, string),
            "instance": instance,
            "turned": turned,
            "position_as_built": as_built,
            **dict(zip(_FIELDS, said, strict=True)),
        }

    def counted_as(self, string: int, position: int, as_of: int) -> tuple[tuple[str, ...], int]:
        """Return under what a place is counted, and its instance.

        That is origin, stringer, lane, supplier, lot; ribbon lot and operator.
        """
        row, instance = self._row(string, position, as_of)
        return (_origin(row, string), *(_COUNTED_OF(row) if row is not None else _NOT_COUNTED)), instance

    def _row(self, string: int, position: int, as_of: int) -> tuple[Any, int]:
        for row in reversed(self._bench):
            if row.valid_from < as_of and row.string == string and row.position in (0, position):
                return row, row.valid_from
        return self._imported.get(string), 0


def _origin(row: Any, string: int) -> str:
    if not string:
        return PANEL
    return str(row.origin) if row is not None else UNKNOWN


_VALID = select(context_rows).where(
    context_rows.c.serial.in_(bindparam("serials", expanding=True)), context_rows.c.valid_to.is_(None)
)


def contexts_of(connection: Connection, serials: Collection[str]) -> Mapping[str, PanelContext]:
    """Return the context of panels by serial; a panel without rows has an empty one."""
    grouped = defaultdict(list)
    if serials:
        for row in connection.execute(_VALID, {"serials": list(serials)}):
            grouped[row.serial].append(row)
    return {serial: PanelContext(grouped[serial]) for serial in serials}
