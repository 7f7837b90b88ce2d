"""Where all cells of a panel have silicon, up to half a millimetre from their edges, and how bright it usually is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, PanelView
from elinspect.vision import cv2

_LIT = 0.6
"""Share of the cell's luminance from which a place of the typical cell counts as silicon."""

_EDGE_MM = 0.7
"""So much of the outermost silicon is not looked at: cells do not lie to the pixel."""

_GAP_MM = 2.5
"""Gaps of the silicon up to twice as wide are busbars, not its edge."""

_BEYOND_MM, _BEYOND_QUANTILE = 1.5, 0.25
"""So far from the silicon nothing but light from elsewhere is seen, and the less of it the farther: of few places the
darker ones."""


@dataclass(frozen=True, slots=True, eq=False)
class Silicon:
    """Silicon that all cells have, at the scale of the maps.

    Attributes
    ----------
    present : ndarray of bool, shape (rows, columns)
        Where; busbars are left out.
    usual : ndarray of float32, shape (rows, columns)
        Natural logarithm of the typical cell's luminance, the lower one of both ways a string can lie.
    whole : ndarray of bool, shape (rows, columns)
        The same with the busbars.
    rim : ndarray of bool, shape (rows, columns)
        The outermost two places of that.
    beyond : float
        Luminance of what lies between cells over that of a cell: light that glass and back sheet scatter, and blur. 0
        where the pictures end with the silicon.
    """

    present: NDArray[np.bool_]
    usual: FloatImage
    whole: NDArray[np.bool_]
    rim: NDArray[np.bool_]
    beyond: float


def silicon_of(view: PanelView) -> Silicon:
    """Return the panel's silicon; its typical cell must be one (`view.REFERENCE_CELLS`)."""
    # Strings lie turned by half a turn now and then: what is a chamfer in one of two is no silicon.
    usual = np.minimum(view.typical, view.typical[::-1, ::-1])
    lit = (usual > np.log(_LIT)).astype(np.uint8)
    edge = 2 * round(_EDGE_MM / view.mm_per_px) + 1
    present = cv2.erode(np.pad(lit, 1), np.ones((edge, edge), np.uint8))[1:-1, 1:-1]
    # Busbars are gaps in it, but no rim.
    rows = 2 * round(_GAP_MM / view.mm_per_px) + 1
    whole = cv2.morphologyEx(np.pad(present, rows), cv2.MORPH_CLOSE, np.ones((rows, rows), np.uint8))[
        rows:-rows, rows:-rows
    ]
    inner = cv2.erode(np.pad(whole, 1), np.ones((5, 5), np.uint8))[1:-1, 1:-1]
    return Silicon(present > 0, usual, whole > 0, (whole > 0) & (inner == 0), _beyond(view, whole > 0))


def _beyond(view: PanelView, whole: NDArray[np.bool_]) -> float:
    size = 2 * round(_BEYOND_MM / view.mm_per_px) + 1
    far = cv2.dilate(whole.astype(np.uint8), np.ones((size, size), np.uint8)) == 0
    return float(np.exp(np.quantile(view.typical[far], _BEYOND_QUANTILE))) if far.any() else 0.0
