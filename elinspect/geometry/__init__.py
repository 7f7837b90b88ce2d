"""Panel outline, cell grid, cell pictures."""

from elinspect.geometry.auto import LayoutSeen, find_layout
from elinspect.geometry.cells import cut_cells, to_file_px
from elinspect.geometry.grid import find_grid
from elinspect.geometry.outline import find_panel

__all__ = ["LayoutSeen", "cut_cells", "find_grid", "find_layout", "find_panel", "to_file_px"]
