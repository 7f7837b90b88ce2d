"""Where in its cell a flag lies, free of picture, view side and turn."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from elinspect.frames import CellPlace, LanePlace, gate_from_stored, lane_place
from elinspect.records import Corner, Orientation, ViewSide

_Json = Mapping[str, Any]


def flag_place(result: _Json, flag: _Json) -> LanePlace | None:
    """Return the place of a flag's middle as the lane would see it if the string were not turned.

    Whether it is turned, the production context says, often later; a turned string has 1 less these values.

    Parameters
    ----------
    result, flag : mapping
        As in the result file.

    Returns
    -------
    LanePlace or None
        None for a flag without outline, on no cell, or in a cell without corners.
    """
    cell = _cell(result, flag)
    if cell is None or not flag["outline_px"] or not np.ptp(cell["corners_px"], axis=0).all():
        return None
    first, right, _, below = (np.array(corner, dtype=np.float64) for corner in cell["corners_px"])
    middle = np.mean(flag["outline_px"], axis=0)
    # Cells are near enough to parallelograms for a place in thirds.
    share = np.linalg.solve(np.column_stack([right - first, below - first]), middle - first)
    panel = result["panel"]
    orientation = Orientation(panel["rotation_deg"], panel["mirrored"])
    u, v, _ = gate_from_stored(orientation, 2, 2) @ np.array([*np.clip(share, 0, 1), 1.0])
    scheme = panel.get("addresses")
    corner = Corner(scheme["origin_corner"]) if scheme is not None else Corner.TOP_LEFT
    side = ViewSide(panel["view_side"]) if panel["view_side"] is not None else ViewSide.FRONT
    return lane_place(CellPlace(float(u), float(v)), False, side, corner)


def _cell(result: _Json, flag: _Json) -> _Json | None:
    if flag["string"] is None or flag["position"] is None:
        return None
    place = (flag["string"], flag["position"])
    return next((cell for cell in result["cells"] if (cell["string"], cell["position"]) == place), None)
