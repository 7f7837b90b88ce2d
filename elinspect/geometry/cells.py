"""Cell pictures: every cell resampled once, straight from the file, into one stack in the gate view."""

import numpy as np

from elinspect.geometry.homography import Matrix, from_corners, moved, rectangle
from elinspect.recipe import CellFormat, Product
from elinspect.records import CellGrid, CellPictures, ElImage, FloatImage, Points, read_only
from elinspect.settings import GeometrySettings
from elinspect.vision import cv2

_BIN_FROM = 1.5


def cut_cells(
    image: ElImage, low_current: ElImage | None, grid: CellGrid, product: Product, settings: GeometrySettings
) -> CellPictures:
    """Cut every cell out of the exposure, upright in the gate view.

    Parameters
    ----------
    image : ElImage
        The exposure at full current.
    low_current : ElImage or None
        The same view at low current, same size.
    grid : CellGrid
        From `find_grid`.
    product : Product
        Cell size in mm.
    settings : GeometrySettings
        Finest and coarsest scale of the pictures.

    Returns
    -------
    CellPictures
        One stack with the same rows and columns for all cells. Where the file is much finer than the finest scale its
        pixels are averaged over squares first, so that nothing aliases.

    Raises
    ------
    ValueError
        If the exposure at low current has another size.
    """
    if low_current is not None and low_current.counts.shape != image.counts.shape:
        raise ValueError("the exposure at low current must have the size of the exposure at full current")
    cell = product.recipe.cell
    file_mm_per_px = file_scale(grid, cell)
    mm_per_px = float(np.clip(file_mm_per_px, settings.finest_mm_per_px, settings.coarsest_mm_per_px))
    columns, rows = round(cell.along_mm / mm_per_px) + 1, round(cell.across_mm / mm_per_px) + 1
    file_from_cell = from_corners(rectangle(columns - 1, rows - 1), grid.corners_px)
    ratio = mm_per_px / file_mm_per_px
    factor = round(ratio) if ratio > _BIN_FROM else 1
    full = _stack(image.counts, file_from_cell, (columns, rows), factor)
    low = None if low_current is None else _stack(low_current.counts, file_from_cell, (columns, rows), factor)
    return CellPictures(
        grid=grid,
        full_current=read_only(full),
        low_current=None if low is None else read_only(low),
        file_from_cell=read_only(file_from_cell),
        mm_per_px=mm_per_px,
        scale_known=product.scale_known,
        saturation=image.saturation,
    )


def file_scale(grid: CellGrid, cell: CellFormat) -> float:
    """Return the mm per file pixel of the typical cell, over both its sides."""
    sides = np.linalg.norm(np.roll(grid.corners_px, -1, axis=1) - grid.corners_px, axis=2)
    along, across = float(np.median(sides[:, 0::2])), float(np.median(sides[:, 1::2]))
    return float(np.sqrt(cell.along_mm / along * cell.across_mm / across))


def to_file_px(pictures: CellPictures, cell: int, points: Points) -> Points:
    """Bring points of a cell picture to the file.

    Parameters
    ----------
    pictures : CellPictures
        The cells.
    cell : int
        Index of the cell.
    points : ndarray, shape (n, 2)
        Points (row, column) of the cell picture.

    Returns
    -------
    ndarray, shape (n, 2)
        Points (x, y) in file pixels.
    """
    return moved(pictures.file_from_cell[cell], np.asarray(points, dtype=np.float64)[:, ::-1])


def _stack(counts: FloatImage, file_from_cell: Matrix, size: tuple[int, int], factor: int) -> FloatImage:
    if factor > 1:
        rows, columns = counts.shape[0] // factor, counts.shape[1] // factor
        whole = counts[: rows * factor, : columns * factor]
        counts = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)
        middle = (factor - 1) / 2
        file_from_cell = np.array([[1, 0, -middle], [0, 1, -middle], [0, 0, factor]]) @ file_from_cell
    stack = np.empty((file_from_cell.shape[0], size[1], size[0]), np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    for matrix, picture in zip(file_from_cell, stack, strict=True):
        cv2.warpPerspective(counts, matrix, size, dst=picture, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return stack
