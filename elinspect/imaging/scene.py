"""From an exposure set to what geometry and detectors look at: corrected files, and one straight picture of the panel.

Published order of corrections (Bedrich 2017, PhD thesis, Loughborough University, section 3.7.3): dark frame, flat
field, lens, homography. The first two are done on the counts of every file. Lens and place of a tile are only told to
whoever resamples: each cell is resampled once, from the stored pixels. The straight picture made here serves to find
the panel, nothing is judged by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.imaging.camera import Camera, correct
from elinspect.imaging.joining import TilePlace, joined_picture, placed
from elinspect.imaging.lens import Lens
from elinspect.imaging.masks import mask_corners, without_masks
from elinspect.recipe import Mask
from elinspect.records import CellGrid, ElImage, Exposures, Points, Tile, read_only

STRONG_BEND = 0.04
"""Shift of the picture's corners by the lens, share of their distance from the middle, from which on the panel is
sought in a straightened picture. Below, the geometry's own radial term finds it in the file as well: measured on
simulated panels, corners of cells are within 0.1 mm either way up to 0.07."""


@dataclass(frozen=True, slots=True)
class TileSetup:
    """What is known about one tile before it is taken.

    Attributes
    ----------
    camera : Camera or None
        Its camera file.
    at_px : tuple of float or None
        Where (x, y) its top left pixel lies in the first tile's pixels, roughly; None for a single file.
    """

    camera: Camera | None = None
    at_px: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """An exposure set ready to be judged.

    Attributes
    ----------
    tiles : tuple of Tile
        The files, corrected.
    located : ElImage
        The picture in which panel and cells are sought.
    bent : PixelPlace or None
        Where `located` is the stored file although its lens is known: corners found in it have yet to be straightened.
    """

    tiles: tuple[Tile, ...]
    located: ElImage
    bent: TilePlace | None = None

    def straight_grid(self, grid: CellGrid) -> CellGrid:
        """Bring a grid found in `located` to the straight picture."""
        if self.bent is None:
            return grid
        return replace(
            grid,
            corners_px=read_only(self.bent.to_straight(grid.corners_px)),
            panel_corners_px=read_only(self.bent.to_straight(grid.panel_corners_px)),
        )

    def panel_corners_in_file(self, corners: Points) -> Points:
        """Bring the panel's outline to pixels of the file; of several files it stays in the joined picture."""
        place = self.tiles[0].place
        return corners if place is None or len(self.tiles) > 1 else place.to_file(corners)


def set_scene(exposures: Exposures, setups: Sequence[TileSetup] = (), masks: Sequence[Mask] = ()) -> Scene:
    """Correct an exposure set and join its tiles.

    Parameters
    ----------
    exposures : Exposures
        As read.
    setups : sequence of TileSetup
        One per tile; none means that nothing is known about the cameras.
    masks : sequence of Mask
        What the recipe masks.

    Raises
    ------
    ImageFileError
        If a camera file belongs to pictures of another size.
    ValueError
        If setups and tiles differ in number, or several tiles come without places.
    """
    setups = tuple(setups) or (TileSetup(),) * len(exposures.full_current)
    if len(setups) != len(exposures.full_current):
        raise ValueError(f"{len(setups)} setups for {len(exposures.full_current)} tiles")
    tiles = []
    for number, (image, setup) in enumerate(zip(exposures.full_current, setups, strict=True)):
        dark = exposures.dark[number] if exposures.dark else None
        own = mask_corners(masks, number, image)
        low = exposures.low_current[number] if exposures.low_current else None
        tiles.append(
            Tile(
                full_current=_corrected(image, setup.camera, dark, own),
                low_current=None if low is None else _corrected(low, setup.camera, dark, own),
                masks=read_only(own),
            )
        )
    if len(tiles) > 1:
        return _joined(tiles, setups)
    lens = setups[0].camera.lens if setups[0].camera is not None else None
    if lens is None:
        return Scene((tiles[0],), tiles[0].full_current)
    place = TilePlace(lens, np.eye(3))
    tile = replace(tiles[0], place=place)
    image = tile.full_current
    if _bend(lens) < STRONG_BEND:
        return Scene((tile,), image, bent=place)
    return Scene((tile,), replace(image, counts=read_only(lens.straightened(image.counts))))


def _corrected(image: ElImage, camera: Camera | None, dark: ElImage | None, masks: NDArray[np.float64]) -> ElImage:
    if camera is not None or dark is not None:
        known = camera or Camera("", "", image.width_px, image.height_px)
        image = correct(image, known, dark)
    return without_masks(image, masks)


def _bend(lens: Lens) -> float:
    right, bottom = lens.width_px - 1.0, lens.height_px - 1.0
    corners = np.array([[0.0, 0], [right, 0], [right, bottom], [0, bottom]])
    away = np.linalg.norm(corners - corners[2] / 2, axis=1)
    return float(np.max(np.linalg.norm(lens.to_straight(corners) - corners, axis=1) / away))


def _joined(tiles: Sequence[Tile], setups: Sequence[TileSetup]) -> Scene:
    lenses = [setup.camera.lens if setup.camera is not None else None for setup in setups]
    at = [setup.at_px for setup in setups]
    if any(place is None for place in at):
        raise ValueError("several tiles need their places")
    images = [tile.full_current for tile in tiles]
    joints = placed(images, lenses, [place for place in at if place is not None])
    done = tuple(replace(tile, place=joint.place, gain=joint.gain) for tile, joint in zip(tiles, joints, strict=True))
    return Scene(done, joined_picture(images, joints))
