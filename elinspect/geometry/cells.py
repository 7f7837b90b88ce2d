"""Cell pictures: every cell resampled once, straight from its file, into one stack in the gate view."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.homography import Matrix, from_corners, moved, rectangle
from elinspect.geometry.seams import tile_of_cells
from elinspect.recipe import CellFormat, Product
from elinspect.records import CellGrid, CellPictures, ElImage, FloatImage, PixelPlace, Points, Tile, read_only
from elinspect.settings import GeometrySettings
from elinspect.vision import cv2

_BIN_FROM = 1.5
_MESH_PX = 8


def cut_cells(tiles: Sequence[Tile], grid: CellGrid, product: Product, settings: GeometrySettings) -> CellPictures:
    """Cut every cell out of the file that shows it best, upright in the gate view.

    Parameters
    ----------
    tiles : sequence of Tile
        The files; one for most cameras.
    grid : CellGrid
        From `find_grid`, in pixels of the straight picture.
    product : Product
        Cell size in mm.
    settings : GeometrySettings
        Finest and coarsest scale of the pictures.

    Returns
    -------
    CellPictures
        One stack with the same rows and columns for all cells. Where the file is much finer than the finest scale its
        pixels are averaged over squares first, so that nothing aliases. The lens is part of the one resampling.

    Raises
    ------
    ValueError
        If an exposure at low current has another size than its tile, or only some tiles have one.
    """
    with_low = [tile for tile in tiles if tile.low_current is not None]
    if len(with_low) not in (0, len(tiles)) or any(
        tile.low_current.counts.shape != tile.full_current.counts.shape for tile in with_low if tile.low_current
    ):
        raise ValueError("each exposure at low current must have the size of its exposure at full current")
    cell = product.recipe.cell
    file_mm_per_px = file_scale(grid, cell)
    mm_per_px = float(np.clip(file_mm_per_px, settings.finest_mm_per_px, settings.coarsest_mm_per_px))
    columns, rows = round(cell.along_mm / mm_per_px) + 1, round(cell.across_mm / mm_per_px) + 1
    file_from_cell = from_corners(rectangle(columns - 1, rows - 1), grid.corners_px)
    ratio = mm_per_px / file_mm_per_px
    factor = round(ratio) if ratio > _BIN_FROM else 1
    chosen, masked = tile_of_cells(tiles, grid.corners_px)
    saturation = max(tile.full_current.saturation * tile.gain for tile in tiles)
    full = np.empty((len(chosen), rows, columns), np.float32)
    low = np.empty_like(full) if with_low else None
    for number, tile in enumerate(tiles):
        own = np.flatnonzero(chosen == number)
        if own.size:
            _cut(_levelled(tile.full_current, tile.gain, saturation), tile.place, file_from_cell, own, factor, full)
            if low is not None and tile.low_current is not None:
                _cut(_levelled(tile.low_current, tile.gain, saturation), tile.place, file_from_cell, own, factor, low)
    return CellPictures(
        grid=grid,
        full_current=read_only(full),
        low_current=None if low is None else read_only(low),
        file_from_cell=read_only(file_from_cell),
        mm_per_px=mm_per_px,
        scale_known=product.scale_known,
        saturation=saturation,
        tile=read_only(chosen),
        places=tuple(tile.place for tile in tiles),
        masked=read_only(masked),
    )


def file_scale(grid: CellGrid, cell: CellFormat) -> float:
    """Return the mm per file pixel of the typical cell, over both its sides."""
    sides = np.linalg.norm(np.roll(grid.corners_px, -1, axis=1) - grid.corners_px, axis=2)
    along, across = float(np.median(sides[:, 0::2])), float(np.median(sides[:, 1::2]))
    return float(np.sqrt(cell.along_mm / along * cell.across_mm / across))


def to_file_px(pictures: CellPictures, cell: int, points: Points) -> Points:
    """Bring points of a cell picture to the file it was cut from.

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
        Points (x, y) in pixels of the file, exact through homography and lens.
    """
    straight = moved(pictures.file_from_cell[cell], np.asarray(points, dtype=np.float64)[:, ::-1])
    place = pictures.places[pictures.tile[cell]]
    return straight if place is None else place.to_file(straight)


def _levelled(image: ElImage, gain: float, saturation: float) -> FloatImage:
    """Return the counts times the gain; where the sensor was full they stand at the saturation of all tiles."""
    if gain == 1.0 and image.saturation == saturation:
        return image.counts
    counts = image.counts * np.float32(gain)
    counts[image.counts >= image.saturation] = saturation
    return counts


def _cut(
    counts: FloatImage,
    place: PixelPlace | None,
    straight_from_cell: Matrix,
    cells: NDArray[np.intp],
    factor: int,
    stack: FloatImage,
) -> None:
    """Resample cells of one file into the stack."""
    middle = (factor - 1) / 2
    if factor > 1:
        rows, columns = counts.shape[0] // factor, counts.shape[1] // factor
        whole = counts[: rows * factor, : columns * factor]
        counts = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)
    if place is not None:
        meshes = (_meshes(straight_from_cell[cells], place, stack.shape[1:]) - middle) / factor
        for cell, mesh in zip(cells, meshes.astype(np.float32), strict=True):
            _cut_bent(counts, mesh, stack[cell])
        return
    shrunk = np.array([[1, 0, -middle], [0, 1, -middle], [0, 0, factor]]) @ straight_from_cell
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (stack.shape[2], stack.shape[1])
    for cell in cells:
        cv2.warpPerspective(counts, shrunk[cell], size, dst=stack[cell], flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _meshes(straight_from_cells: Matrix, place: PixelPlace, shape: tuple[int, ...]) -> Points:
    """Return exact file points of every eighth pixel of cells and a little beyond, (cells, rows, columns, 2)."""
    # A lens bends smoothly: in between, a straight line is off by less than a hundredth of a pixel.
    rows, columns = (np.arange(-1, size // _MESH_PX + 2) for size in shape)
    grid = np.stack(np.meshgrid(*((steps + 0.5) * _MESH_PX - 0.5 for steps in (columns, rows))), axis=-1)
    return place.to_file(np.stack([moved(matrix, grid) for matrix in straight_from_cells]))


def _cut_bent(counts: FloatImage, mesh: NDArray[np.float32], picture: FloatImage) -> None:
    rows, columns = picture.shape
    size = (mesh.shape[1] * _MESH_PX, mesh.shape[0] * _MESH_PX)
    dense = cv2.resize(mesh, size, interpolation=cv2.INTER_LINEAR)
    points = np.ascontiguousarray(dense[_MESH_PX : _MESH_PX + rows, _MESH_PX : _MESH_PX + columns])
    # OpenCV's stubs do not know the two-channel map.
    cv2.remap(counts, points, None, cv2.INTER_LINEAR, dst=picture, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
