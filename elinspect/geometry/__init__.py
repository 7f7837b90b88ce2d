"""Panel outline, cell grid, cell pictures, measures, fingerprints."""

from elinspect.geometry.auto import LayoutSeen, find_layout
from elinspect.geometry.cells import cut_cells, to_file_px
from elinspect.geometry.fingerprint import fingerprints_of
from elinspect.geometry.grid import FoundGrid, find_grid, found_grid
from elinspect.geometry.matching import CellMatch, PanelMatch, Rematch, rematched
from elinspect.geometry.measures import measured
from elinspect.geometry.outline import find_panel
from elinspect.geometry.ribbons import ribbon_lines

__all__ = [
    "CellMatch",
    "FoundGrid",
    "LayoutSeen",
    "PanelMatch",
    "Rematch",
    "cut_cells",
    "find_grid",
    "find_layout",
    "find_panel",
    "fingerprints_of",
    "found_grid",
    "measured",
    "rematched",
    "ribbon_lines",
    "to_file_px",
]
