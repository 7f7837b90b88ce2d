"""Production context of strings, and the CSV in which plants hand it over."""

import csv
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from elinspect.errors import told_as


@dataclass(frozen=True, slots=True)
class StringContext:
    """One row: one string of one panel. Fields in the order of the file's columns.

    Attributes
    ----------
    panel_serial : str
        Serial of the panel, opaque.
    string : int
        Number of the string through the panel, from 1.
    string_id, stringer, lane : str
        The string's own number, the machine and its lane.
    turned : bool
        Whether the string lies rotated by 180°: its leading end is then its last position.
    built_at : str
        ISO 8601 with offset.
    cell_lot, cell_supplier, cell_class, ribbon_lot, operator : str
        What it was made of, and by whom.
    layup_machine, bussing_machine, el_station : str
        Where the panel went; the same in all its rows.
    """

    panel_serial: str
    string: int
    string_id: str
    stringer: str
    lane: str
    turned: bool
    built_at: str
    cell_lot: str
    cell_supplier: str
    cell_class: str
    ribbon_lot: str
    operator: str
    layup_machine: str
    bussing_machine: str
    el_station: str


def write_context_csv(path: Path, rows: Iterable[StringContext]) -> Path:
    """Write production context; returns the path.

    Raises
    ------
    ElinspectError
        If the file cannot be written.
    """
    columns = [field.name for field in fields(StringContext)]
    with told_as("command.not_written", file=str(path)):
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, columns, lineterminator="\n")
            writer.writeheader()
            for row in rows:
                writer.writerow(asdict(row) | {"turned": "true" if row.turned else "false"})
    return path
