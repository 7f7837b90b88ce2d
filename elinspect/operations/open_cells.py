"""The open data set of real cells (package elpv-dataset), which judges models and never teaches what ships.

2,624 crops of 300 x 300 px, 8 bit, resampled to about 0.52 mm per pixel, laminated modules with few busbars: not this
gate's pictures. CC BY-NC-SA 4.0; evaluation only, never redistributed. The crops lie in panel order; breaks of busbars
and noise give 44 panels. Some of them are reserved: nobody looks at them before the figure of a release is published.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import ElinspectError
from elinspect.recipe import Product, Wafer, assumed_product
from elinspect.records import CellGrid, CellPictures, Layout, Orientation, read_only

PANEL_ENDS = (
    60, 120, 180, 240, 300, 360, 420, 480, 540, 600, 660, 720, 780, 840, 900, 960, 1020, 1080, 1140, 1200, 1254, 1314,
    1374, 1434, 1494, 1554, 1614, 1674, 1734, 1784, 1844, 1904, 1964, 2024, 2084, 2144, 2216, 2276, 2336, 2396, 2444,
    2504, 2564, 2624,
)  # fmt: skip
"""Number of the last cell of each panel (cells count from 1)."""
RESERVED = ((241, 360), (421, 540), (721, 900), (1255, 1614), (1845, 2216), (2277, 2396), (2505, 2624))
"""First and last cell of the reserved panels."""
SIDE_PX = 300
"""Width and height of a crop."""
MM_PER_PX = 156 / (SIDE_PX - 1)


@dataclass(frozen=True, slots=True, eq=False)
class OpenPanel:
    """One panel of the open data set.

    Attributes
    ----------
    first, last : int
        Numbers of its cells, from 1.
    wafer : Wafer
        Mono or multi.
    labels : ndarray, shape (n,)
        Labelled probability of a defect: 0, 1/3, 2/3 or 1.
    crops : ndarray of uint8, shape (n, 300, 300)
        The cells.
    """

    first: int
    last: int
    wafer: Wafer
    labels: NDArray[np.float64]
    crops: NDArray[np.uint8]

    def pictures(self) -> tuple[CellPictures, Product]:
        """Return the cells as pictures of one panel, and a product that fits: its size is only assumed."""
        n = len(self.crops)
        layout = Layout(1, 6, n // 6) if n % 6 == 0 else Layout(1, 1, n)
        side = SIDE_PX - 1.0
        corners = np.array([[0, 0], [side, 0], [side, side], [0, side]])
        grid = CellGrid(layout, Orientation(), read_only(np.tile(corners, (n, 1, 1))), corners, 1.0)
        own = read_only(np.tile(np.eye(3), (n, 1, 1)))
        stack = read_only(self.crops.astype(np.float32))
        tile, masked = read_only(np.zeros(n, np.intp)), read_only(np.zeros(n, np.bool_))
        pictures = CellPictures(grid, stack, None, own, MM_PER_PX, True, 255.0, tile, (None,), masked)
        return pictures, assumed_product(layout)


def is_reserved(number: int) -> bool:
    """Whether a cell (from 1) belongs to a reserved panel."""
    return any(first <= number <= last for first, last in RESERVED)


def open_panels(with_reserved: bool = False) -> tuple[OpenPanel, ...]:
    """Return the panels of the open data set.

    Parameters
    ----------
    with_reserved : bool
        Also the reserved ones: only for the published figure of a release.

    Raises
    ------
    ElinspectError
        If the package elpv-dataset is not installed.
    """
    crops, labels, wafers = _data_set()
    starts = (1, *(end + 1 for end in PANEL_ENDS[:-1]))
    return tuple(
        OpenPanel(
            first, last, Wafer.MONO if wafers[first - 1] == "mono" else Wafer.MULTI,
            labels[first - 1 : last], crops[first - 1 : last],
        )
        for first, last in zip(starts, PANEL_ENDS, strict=True)
        if with_reserved or not is_reserved(first)
    )  # fmt: skip


def check_half(panels: tuple[OpenPanel, ...]) -> tuple[OpenPanel, ...]:
    """Return every second free panel of each wafer type: figures come from these, choices from the others."""
    return tuple(panel for wafer in Wafer for panel in [each for each in panels if each.wafer is wafer][1::2])


def tuning_half(panels: tuple[OpenPanel, ...]) -> tuple[OpenPanel, ...]:
    """Return the other half."""
    return tuple(panel for wafer in Wafer for panel in [each for each in panels if each.wafer is wafer][::2])


@cache
def _data_set() -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.str_]]:
    try:
        from elpv_dataset.utils import load_dataset
    except ImportError as error:
        raise ElinspectError("model.no_open_cells") from error
    crops, labels, wafers = load_dataset()
    return crops, labels, wafers
