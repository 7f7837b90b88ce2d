"""Which part of a stringer touches which place: a map the plant makes for itself (TOML)."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from elinspect.errors import SettingsFileError, told_as


@dataclass(frozen=True, slots=True)
class MachinePart:
    """A part of a machine and what it touches.

    Attributes
    ----------
    name : str
        As the plant calls it.
    stringer, lane : str
        Where; empty for all.
    positions : tuple of int
        Positions from the leading end that it touches; empty for all.
    along, across : (float, float)
        Span in the cell as the lane sees it, 0..1 (`elinspect.frames.LanePlace`).
    """

    name: str
    stringer: str = ""
    lane: str = ""
    positions: tuple[int, ...] = ()
    along: tuple[float, float] = (0.0, 1.0)
    across: tuple[float, float] = (0.0, 1.0)

    def touches(self, stringer: str, lane: str, position: int, place: tuple[float, float] | None) -> bool:
        """Whether it touches a place; a position of 0 or a place of None is any."""
        here = self.stringer in ("", stringer) and self.lane in ("", lane)
        here = here and (not self.positions or not position or position in self.positions)
        if place is None or not here:
            return here
        return all(low <= at <= high for at, (low, high) in zip(place, (self.along, self.across), strict=True))


_KEYS = {"name", "stringer", "lane", "positions", "along", "across"}


def read_tool_map(path: Path) -> tuple[MachinePart, ...]:
    """Read a map: tables ``[[part]]`` with the fields of `MachinePart`.

    Raises
    ------
    SettingsFileError
        If the file cannot be read, or a part has an unknown key or a wrong value; the text names the part.
    """
    with told_as("figure.weights_unreadable", SettingsFileError, file=str(path)):
        text = path.read_bytes()
    try:
        tables = tomllib.loads(text.decode("utf-8")).get("part", [])
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsFileError("tool_map.broken", file=str(path), cause=str(error)) from error
    return tuple(_part(path, number, table) for number, table in enumerate(tables, start=1))


def _part(path: Path, number: int, table: dict[str, Any]) -> MachinePart:
    try:
        unknown = set(table) - _KEYS
        if unknown:
            raise ValueError(", ".join(sorted(unknown)))
        return MachinePart(
            name=str(table["name"]),
            stringer=str(table.get("stringer", "")),
            lane=str(table.get("lane", "")),
            positions=tuple(int(position) for position in table.get("positions", ())),
            along=_span(table.get("along", (0.0, 1.0))),
            across=_span(table.get("across", (0.0, 1.0))),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise SettingsFileError("tool_map.part", file=str(path), number=number, cause=str(error)) from error


def _span(values: Any) -> tuple[float, float]:
    low, high = (float(value) for value in values)
    if not 0 <= low < high <= 1:
        raise ValueError(f"{low} .. {high}")
    return low, high
