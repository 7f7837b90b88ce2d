"""Tiles of one panel put together: where each lies, found in what two of them show, and how bright it is.

A tile's place is known roughly (the camera's or the axis's setting). Patches of what two tiles show in common are
matched by normalised cross-correlation, and a shift, turn and scale is fitted to the matches, so that a loose mount
does no harm. Cells are cut from the tiles themselves; the joined picture only serves to find them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.imaging.lens import Lens
from elinspect.records import ElImage, FloatImage, Points, read_only
from elinspect.vision import cv2

_PATCH_PX = 96
_SEARCH_PX = 48
_MOST_PATCHES = 14
_FEWEST_PATCHES = 3
_LEAST_LIKENESS = 0.6
_MISFIT_PX = 2.0
_SMALL = 8
_GAIN_SAMPLES = 200


@dataclass(frozen=True, slots=True, eq=False)
class TilePlace:
    """Where the pixels of a file lie in the straight picture.

    Attributes
    ----------
    lens : Lens or None
        Distortion; None where it is not known.
    tile_from_straight : ndarray, shape (3, 3)
        From (x, y, 1) of the straight picture to (x, y, 1) of this file without its lens.
    """

    lens: Lens | None
    tile_from_straight: NDArray[np.float64]

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y) of the straight picture to file pixels, shape (..., 2)."""
        own = _moved(self.tile_from_straight, points)
        return own if self.lens is None else self.lens.to_file(own)

    def to_straight(self, points_px: Points) -> Points:
        """Bring points (x, y) in file pixels to the straight picture, shape (..., 2)."""
        own = points_px if self.lens is None else self.lens.to_straight(points_px)
        return _moved(np.asarray(np.linalg.inv(self.tile_from_straight), np.float64), own)


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """A tile in its place.

    Attributes
    ----------
    place : TilePlace
        Where its pixels lie.
    gain : float
        Factor that makes it as bright as the first tile.
    matches : int
        Patches by which it was found; 0 where the given place was taken as it is.
    misfit_px : float or None
        Root mean square distance of those patches from the fit.
    """

    place: TilePlace
    gain: float
    matches: int
    misfit_px: float | None


def placed(
    images: Sequence[ElImage], lenses: Sequence[Lens | None], at_px: Sequence[tuple[float, float]]
) -> tuple[Joint, ...]:
    """Find where every tile lies.

    Parameters
    ----------
    images : sequence of ElImage
        The tiles, corrected.
    lenses : sequence of Lens or None
        Their lenses.
    at_px : sequence of (x, y)
        Where the top left pixel of each lies in pixels of the first, to within some 40 pixels.

    Returns
    -------
    tuple of Joint
        In the same order. The joined picture begins at the leftmost and topmost pixel of all tiles.
    """
    first = np.array(at_px[0])
    joined_from_tile = {0: np.eye(3)}
    gains, matches = {0: 1.0}, {0: 0}
    misfits: dict[int, float | None] = {0: None}
    for number in range(1, len(images)):
        given = _shift(np.array(at_px[number]) - first)
        neighbour = max(joined_from_tile, key=lambda k: _common_area(images, number, given, k, joined_from_tile[k]))
        fit, used, misfit = _matched(images, lenses, number, given, neighbour, joined_from_tile[neighbour])
        joined_from_tile[number] = fit
        matches[number], misfits[number] = used, misfit
        ratio = _light_ratio(images, lenses, number, fit, neighbour, joined_from_tile[neighbour])
        gains[number] = gains[neighbour] * ratio
    low = np.min([_moved(joined_from_tile[k], _frame(images[k])).min(axis=0) for k in joined_from_tile], axis=0)
    joints = []
    for number, lens in enumerate(lenses):
        place = _place(lens, _shift(-low) @ joined_from_tile[number])
        joints.append(Joint(place, gains[number], matches[number], misfits[number]))
    return tuple(joints)


def joined_picture(images: Sequence[ElImage], joints: Sequence[Joint]) -> ElImage:
    """Put the tiles together: each place is taken from the tile in which it lies deepest.

    Returns
    -------
    ElImage
        0 where no tile shows anything; path and hash are those of the first tile.
    """
    ends = [joint.place.to_straight(_frame(image)) for image, joint in zip(images, joints, strict=True)]
    width, height = (int(np.ceil(side)) + 1 for side in np.max([end.max(axis=0) for end in ends], axis=0))
    counts = np.zeros((height, width), np.float32)
    depth = np.zeros((height, width), np.float32)
    for image, joint in zip(images, joints, strict=True):
        mesh = joint.place.to_file(_raster(width, height))
        points = cv2.resize(mesh.astype(np.float32), None, fx=_SMALL, fy=_SMALL, interpolation=cv2.INTER_LINEAR)
        points = np.ascontiguousarray(points[:height, :width])
        own = _sampled(image.counts, points) * np.float32(joint.gain)
        inside = np.minimum(
            np.minimum(points[..., 0], image.width_px - 1 - points[..., 0]),
            np.minimum(points[..., 1], image.height_px - 1 - points[..., 1]),
        )
        better = inside > depth
        counts[better], depth[better] = own[better], inside[better]
    full = max(image.saturation * joint.gain for image, joint in zip(images, joints, strict=True))
    return replace(images[0], counts=read_only(counts), saturation=full)


def _raster(width: int, height: int) -> Points:
    x, y = (np.arange(-(-side // _SMALL)) * _SMALL + (_SMALL - 1) / 2 for side in (width, height))
    return np.asarray(np.stack(np.meshgrid(x, y), axis=-1), np.float64)


def _moved(matrix: NDArray[np.float64], points: Points) -> Points:
    lifted = np.asarray(points, np.float64) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[..., :2] / lifted[..., 2:])


def _shift(by: Points) -> NDArray[np.float64]:
    return np.array([[1, 0, by[0]], [0, 1, by[1]], [0, 0, 1.0]])


def _frame(image: ElImage) -> Points:
    right, bottom = image.width_px - 1.0, image.height_px - 1.0
    return np.array([[0.0, 0], [right, 0], [right, bottom], [0, bottom]])


def _common(
    images: Sequence[ElImage], a: int, a_matrix: NDArray[np.float64], b: int, b_matrix: NDArray[np.float64]
) -> tuple[Points, Points]:
    """Return the corners (x, y) of the upright box that both tiles show, in joined pixels; empty if not low < high."""
    first, second = _moved(a_matrix, _frame(images[a])), _moved(b_matrix, _frame(images[b]))
    return np.maximum(first.min(axis=0), second.min(axis=0)), np.minimum(first.max(axis=0), second.max(axis=0))


def _common_area(
    images: Sequence[ElImage], a: int, a_matrix: NDArray[np.float64], b: int, b_matrix: NDArray[np.float64]
) -> float:
    low, high = _common(images, a, a_matrix, b, b_matrix)
    return float(np.prod(np.maximum(high - low, 0)))


def _place(lens: Lens | None, joined_from_tile: NDArray[np.float64]) -> TilePlace:
    return TilePlace(lens, np.asarray(np.linalg.inv(joined_from_tile), np.float64))


def _sampled(counts: FloatImage, points: NDArray[Any]) -> FloatImage:
    at = np.ascontiguousarray(points, np.float32)
    return np.asarray(
        cv2.remap(counts, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0),  # type: ignore[call-overload]
        np.float32,
    )


def _window(image: ElImage, lens: Lens | None, matrix: NDArray[np.float64], centre: Points, half: int) -> FloatImage:
    """Return a square of a tile round a joined point, upright in the joined picture, 2 half + 1 pixels a side."""
    steps = np.arange(-half, half + 1.0)
    points = np.stack(np.meshgrid(centre[0] + steps, centre[1] + steps), axis=-1)
    return _sampled(image.counts, _place(lens, matrix).to_file(points))


def _matched(
    images: Sequence[ElImage],
    lenses: Sequence[Lens | None],
    number: int,
    given: NDArray[np.float64],
    neighbour: int,
    of_neighbour: NDArray[np.float64],
) -> tuple[NDArray[np.float64], int, float | None]:
    """Fit shift, turn and scale of a tile to patches matched with its neighbour; the given place if too few match."""
    low, high = _common(images, number, given, neighbour, of_neighbour)
    room = high - low
    half = int(min(_PATCH_PX, room.min() - 4)) // 2
    if half < 8:
        return given, 0, None
    search = int(min(_SEARCH_PX, 2 * half))
    shown, seen = [], []
    for centre in _patch_centres(low, high, half):
        template = _window(images[neighbour], lenses[neighbour], of_neighbour, centre, half)
        area = _window(images[number], lenses[number], given, centre, half + search)
        found = _best_match(area, template, search)
        if found is not None:
            shown.append(centre)
            seen.append(centre + found)
    if len(shown) < _FEWEST_PATCHES:
        return given, 0, None
    fit, good = cv2.estimateAffinePartial2D(np.array(seen), np.array(shown), ransacReprojThreshold=_MISFIT_PX)
    if fit is None or int(good.sum()) < _FEWEST_PATCHES:
        return given, 0, None
    matrix = np.vstack([fit, [0, 0, 1.0]])
    used = good.ravel() > 0
    away = _moved(matrix, np.array(seen)[used]) - np.array(shown)[used]
    return matrix @ given, int(used.sum()), float(np.sqrt(np.mean(np.sum(away**2, axis=1))))


def _patch_centres(low: Points, high: Points, half: int) -> list[Points]:
    """Return places for patches over the common box, spread along it."""
    counts = np.clip((high - low) // (2 * half), 1, _MOST_PATCHES).astype(int)
    x, y = (
        np.linspace(low[k] + half + 2, high[k] - half - 2, counts[k])
        if counts[k] > 1
        else np.array([(low[k] + high[k]) / 2])
        for k in (0, 1)
    )
    return [np.array([a, b]) for a in x for b in y]


def _best_match(area: FloatImage, template: FloatImage, search: int) -> Points | None:
    """Return by how much (x, y) the template lies off the middle of the area, to a fraction of a pixel; None if doubt.

    Cells repeat: a patch that fits at two places as well tells nothing.
    """
    if float(template.std()) <= 0:
        return None
    likeness = cv2.matchTemplate(area, template, cv2.TM_CCOEFF_NORMED)
    _, best, _, (column, row) = cv2.minMaxLoc(likeness)
    last = 2 * search
    if best < _LEAST_LIKENESS or not (0 < column < last and 0 < row < last):
        return None
    others = likeness.copy()
    others[max(row - 4, 0) : row + 5, max(column - 4, 0) : column + 5] = -1
    if float(others.max()) > 0.5 * (1 + best) - 0.02:
        return None
    x = _vertex(likeness[row, column - 1 : column + 2])
    y = _vertex(likeness[row - 1 : row + 2, column])
    return np.array([column + x - search, row + y - search])


def _vertex(three: NDArray[Any]) -> float:
    before, here, after = (float(value) for value in three)
    bow = before - 2 * here + after
    return 0.0 if bow >= 0 else float(np.clip(0.5 * (before - after) / bow, -0.5, 0.5))


def _light_ratio(
    images: Sequence[ElImage],
    lenses: Sequence[Lens | None],
    number: int,
    matrix: NDArray[np.float64],
    neighbour: int,
    of_neighbour: NDArray[np.float64],
) -> float:
    """Return the light of the neighbour over that of the tile where both show lit cells; 1 where they do not."""
    low, high = _common(images, number, matrix, neighbour, of_neighbour)
    if np.any(high - low < 4):
        return 1.0
    x, y = (np.linspace(low[k] + 1, high[k] - 1, _GAIN_SAMPLES) for k in (0, 1))
    points = np.stack(np.meshgrid(x, y), axis=-1)
    own, other = (
        _sampled(images[k].counts, _place(lenses[k], m).to_file(points))
        for k, m in ((number, matrix), (neighbour, of_neighbour))
    )
    full = (own >= 0.98 * images[number].saturation) | (other >= 0.98 * images[neighbour].saturation)
    lit = (own > np.quantile(own, 0.5)) & (other > np.quantile(other, 0.5)) & (own > 0) & (other > 0) & ~full
    return float(np.median(other[lit] / own[lit])) if lit.sum() > 50 else 1.0
