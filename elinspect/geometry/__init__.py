"""Panel outline, cell grid, cell pictures, fingerprints."""

from elinspect.geometry.auto import LayoutSeen, find_layout
from elinspect.geometry.cells import cut_cells, to_file_px
from elinspect.geometry.fingerprint import fingerprints_of
from elinspect.geometry.grid import find_grid
from elinspect.geometry.matching import CellMatch, PanelMatch, Rematch, rematched
from elinspect.geometry.outline import find_panel

__all__ = [
    "CellMatch",
    "LayoutSeen",
    "PanelMatch",
    "Rematch",
    "cut_cells",
    "find_grid",
    "find_layout",
    "find_panel",
    "fingerprints_of",
    "rematched",
    "to_file_px",
]
