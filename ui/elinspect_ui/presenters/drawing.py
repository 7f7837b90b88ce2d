"""From what the inspector drew, or chose by key, to a flag."""

import uuid
from dataclasses import replace

import numpy as np

from elinspect.catalogue import Message
from elinspect.errors import ElinspectError
from elinspect.recipe import AddressScheme, write_address
from elinspect.records import PANEL_KINDS, STRING_KINDS, Address, CrackMode, Flag, Kind, Points, Source
from elinspect_ui.presenters.places import PanelPlaces, through

LINE_KINDS = frozenset({Kind.CRACK, Kind.FINGER_INTERRUPTION})
"""Kinds drawn as a line; all others as a box."""


def drawn_flag(
    places: PanelPlaces,
    kind: Kind,
    outline: Points | None,
    selected: Address | None,
    scheme: AddressScheme,
    mm_per_px: float | None,
) -> Flag:
    """Make a flag from an outline, or from the selected cell where nothing was drawn.

    Parameters
    ----------
    places : PanelPlaces
        The panel's cells.
    kind : Kind
        What the inspector says it is.
    outline : ndarray of shape (m, 2) or None
        Drawn points (x, y) in the gate view: an open line for `LINE_KINDS`, else a closed polygon. None takes the whole
        selected cell, or its string, or the panel, as the kind asks.
    selected : Address or None
        The selected cell; a drawn outline's own cell goes before it.
    scheme : AddressScheme
        How addresses are written.
    mm_per_px : float or None
        Size of a file pixel, where known; lengths in mm are left out without it.

    Returns
    -------
    Flag
        Without a limit: the desk evaluates it by the criteria in force.

    Raises
    ------
    ElinspectError
        If the outline lies on no cell and none is selected.
    """
    address = _address(places, outline, selected)
    if kind in PANEL_KINDS:
        shape = outline if outline is not None else places.outline
        return _flag(kind, None, None, places.to_file(shape), scheme, places.tile)
    if address is None:
        raise ElinspectError("desktop.add.no_cell")
    if kind in STRING_KINDS:
        return _flag(
            kind, address.string, None, places.to_file(_string_outline(places, address.string)), scheme, places.tile
        )
    index = places.index_of(address)
    if index is None:
        raise ElinspectError("desktop.add.no_cell")
    shape = outline if outline is not None else places.quads[index]
    flag = _flag(kind, address.string, address.position, places.to_file(shape), scheme, places.tile)
    if outline is None:
        return flag
    if kind in LINE_KINDS:
        length_px = float(np.hypot(*np.diff(shape, axis=0).T).sum())
        return replace(flag, length_mm=round(length_px * mm_per_px, 1) if mm_per_px is not None else None)
    return replace(flag, area_fraction=min(1.0, _area(through(places.unit_from_gate(index), shape))))


def changed_flag(flag: Flag, kind: Kind, scheme: AddressScheme) -> Flag:
    """Return a flag as another kind: same place and measures, its limit left to the desk to evaluate again.

    A crack keeps no mode when it becomes something else, and something that becomes a crack has none yet.

    Raises
    ------
    ElinspectError
        If a flag of a string or the panel cannot become one of a cell.
    """
    string, position = _reach(kind, flag.string, flag.position)
    if position is None and flag.position is None and kind not in STRING_KINDS | PANEL_KINDS:
        raise ElinspectError("desktop.change.needs_cell", kind=kind.value)
    if string is None and kind not in PANEL_KINDS:
        raise ElinspectError("desktop.change.needs_cell", kind=kind.value)
    mode: CrackMode | None = flag.mode if kind is Kind.CRACK and flag.kind is Kind.CRACK else None
    return replace(
        flag,
        kind=kind,
        string=string,
        position=position,
        mode=mode,
        limit=None,
        source=Source.INSPECTOR,
        message=_message("changed", kind, write_address(scheme, string, position), position is not None),
    )


def redrawn_flag(
    places: PanelPlaces, flag: Flag, outline: Points, scheme: AddressScheme, mm_per_px: float | None
) -> Flag:
    """Return a flag with another outline, points (x, y) in the gate view, its measures taken from that.

    What the machine measured on its own outline is left out; a crack keeps its mode.
    """
    selected = Address(flag.string, flag.position) if flag.string and flag.position else None
    drawn = drawn_flag(places, flag.kind, outline, selected, scheme, mm_per_px)
    address = write_address(scheme, drawn.string, drawn.position)
    message = _message("redrawn", flag.kind, address, drawn.position is not None)
    return replace(drawn, id=flag.id, mode=flag.mode, score=flag.score, parent=flag.parent, message=message)


def with_new_id(flag: Flag) -> Flag:
    """Return an added flag under an id that no other flag of the log has, taken back ones included."""
    return replace(flag, id=f"i{uuid.uuid4().hex[:10]}")


def _flag(
    kind: Kind, string: int | None, position: int | None, outline: Points, scheme: AddressScheme, tile: int
) -> Flag:
    low, high = outline.min(axis=0), outline.max(axis=0)
    return with_new_id(
        Flag(
            id="",
            kind=kind,
            string=string,
            position=position,
            score=1.0,
            outline_px=tuple((round(float(x), 2), round(float(y), 2)) for x, y in outline),
            box_px=(float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])),
            message=_message("added", kind, write_address(scheme, string, position), position is not None),
            source=Source.INSPECTOR,
            tile=tile,
        )
    )


def _reach(kind: Kind, string: int | None, position: int | None) -> tuple[int | None, int | None]:
    if kind in PANEL_KINDS:
        return None, None
    return string, None if kind in STRING_KINDS else position


def _message(deed: str, kind: Kind, address: str, in_cell: bool) -> Message:
    values = {"kind": kind.value, "address": address}
    if in_cell:
        return Message(f"flag.{deed}", values)
    return Message(f"desktop.flag.{deed}_{'string' if address else 'panel'}", values)


def _address(places: PanelPlaces, outline: Points | None, selected: Address | None) -> Address | None:
    if outline is None:
        return selected
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
    return places.cell_at(*middle) or _first_cell_under(places, outline) or selected


def _first_cell_under(places: PanelPlaces, outline: Points) -> Address | None:
    cells = (places.cell_at(float(x), float(y)) for x, y in outline)
    return next((cell for cell in cells if cell is not None), None)


def _string_outline(places: PanelPlaces, string: int) -> Points:
    corners = places.quads[[address.string == string for address in places.addresses]].reshape(-1, 2)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def _area(polygon: Points) -> float:
    x, y = polygon.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
