"""Panel outline, cell grid, cell pictures."""

from elinspect.geometry.cells import cut_cells, to_file_px
from elinspect.geometry.grid import find_grid
from elinspect.geometry.outline import find_panel

__all__ = ["cut_cells", "find_grid", "find_panel", "to_file_px"]
