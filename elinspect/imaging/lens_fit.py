"""Fit a lens to sightings of a flat target, and say how well it fits.

What is wanted is that straight lines become straight, whatever perspective remains: the homography of the panel comes
after. So each view of the target gets a homography of its own, and the lens is what all views have in common. No
tilted views are needed, unlike for a full calibration, which a panel-sized target under a fixed camera could not give.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.imaging.lens import Lens
from elinspect.imaging.target import Sighting
from elinspect.records import Points, read_only
from elinspect.vision import cv2

_SCALES = np.array([0.1, 0.1, 1e-3, 1e-3, 1.0, 1.0])
"""Natural size of k1, k2, p1, p2 and of the shift of the centre in hundredths of the picture's width."""
_HOLD = 1e-3
"""Pull towards no tangential terms and a centre in the middle, px per natural size: decides what points leave open."""

_ROUNDS = 30
_STEP = 1e-3
_GIVE_UP = 1e8
_LEAST_GAIN = 1e-6
_STRAY, _LEAST_STRAY_PX = 6.0, 0.5
_MOST_STRAYS = 0.05
"""A few points so many times further off than the usual one were seen wrongly; if there are more, the target is not
flat or the model does not fit, and all count."""


@dataclass(frozen=True, slots=True)
class LensReport:
    """How well a lens fits what was seen.

    Attributes
    ----------
    views, points, strays : int
        Pictures and points used, and points left out because they lie far off all the others: half hidden, smeared.
    coverage : float
        Share of the picture inside the outermost points.
    rms_px : float
        Root mean square distance of points from the model, over all points.
    check_px : float
        The same for every second point when the lens was fitted to the others.
    bend_before_px, bend_after_px : float
        Largest distance of a point from the straight line through its row or column of the target, in the file and
        after correction.
    holds_everywhere : bool
        Whether the model can be inverted up to the corners of the picture.
    """

    views: int
    points: int
    strays: int
    coverage: float
    rms_px: float
    check_px: float
    bend_before_px: float
    bend_after_px: float
    holds_everywhere: bool


def fit_lens(sightings: Sequence[Sighting], width_px: int, height_px: int) -> tuple[Lens, LensReport]:
    """Fit two radial and two tangential terms and the centre of distortion.

    Parameters
    ----------
    sightings : sequence of Sighting
        At least one.
    width_px, height_px : int
        Size of the pictures.

    Returns
    -------
    Lens, LensReport
        The focal length of the lens is nominal: it scales the coefficients and must not be used to compute distances.

    References
    ----------
    Model of the distortion: Brown, D. C. (1971). "Close-range camera calibration", Photogramm. Eng. 37(8):855-866.
    """
    if not sightings:
        raise ValueError("a lens needs at least one sighting of a target")
    size = (width_px, height_px)
    lens, seen = _fitted(sightings, size), sum(len(sighting.places) for sighting in sightings)
    for _ in range(2):
        kept = [_without_strays(lens, sighting) for sighting in sightings]
        used = sum(len(sighting.places) for sighting in kept)
        if used == sum(len(sighting.places) for sighting in sightings) or seen - used > _MOST_STRAYS * seen:
            break
        # The lens without them shows those better that its first fit had bent towards.
        sightings, lens = kept, _fitted(kept, size)
    half = _fitted([_every_second(sighting, 0) for sighting in sightings], size)
    checks = [
        _away(half, _every_second(sighting, 1), _plane(half, _every_second(sighting, 0))) for sighting in sightings
    ]
    report = LensReport(
        views=len(sightings),
        points=sum(len(sighting.places) for sighting in sightings),
        strays=seen - sum(len(sighting.places) for sighting in sightings),
        coverage=_coverage(sightings, size),
        rms_px=_rms([_away(lens, sighting, _plane(lens, sighting)) for sighting in sightings]),
        check_px=_rms(checks),
        bend_before_px=max(bend(sighting.places, sighting.points_px) for sighting in sightings),
        bend_after_px=max(bend(sighting.places, lens.to_straight(sighting.points_px)) for sighting in sightings),
        holds_everywhere=lens.holds_everywhere(),
    )
    return lens, report


def bend(places: NDArray[np.intp], points: Points) -> float:
    """Return the largest distance of a point from the straight line through its row or column of 3 points at least.

    Parameters
    ----------
    places : ndarray of int, shape (n, 2)
        Column and row of each point on the target.
    points : ndarray, shape (n, 2)
        Points (x, y).
    """
    largest = 0.0
    for axis in (0, 1):
        for line in np.unique(places[:, axis]):
            on_line = points[places[:, axis] == line]
            if len(on_line) >= 3:
                centred = on_line - on_line.mean(axis=0)
                across = np.linalg.svd(centred, full_matrices=False)[2][1]
                largest = max(largest, float(np.abs(centred @ across).max()))
    return largest


def _fitted(sightings: Sequence[Sighting], size: tuple[int, int]) -> Lens:
    """Minimise the distances in the file by damped Gauss-Newton steps (Levenberg-Marquardt)."""

    def misfit(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        lens = _lens_of(parameters, size)
        away = [_away(lens, sighting, _plane(lens, sighting)).ravel() for sighting in sightings]
        return np.concatenate([*away, _HOLD * parameters[2:]])

    parameters, damping = np.zeros(6), 1e-3
    here = misfit(parameters)
    for _ in range(_ROUNDS):
        slopes = np.stack([(misfit(parameters + step) - here) / _STEP for step in _STEP * np.eye(6)], axis=1)
        normal, right = slopes.T @ slopes, slopes.T @ here
        while damping < _GIVE_UP:
            trial = parameters - np.linalg.solve(normal + damping * np.diag(np.diag(normal)), right)
            there = misfit(trial)
            if there @ there < here @ here:
                break
            damping *= 10
        else:
            break
        gain = 1 - (there @ there) / (here @ here)
        parameters, here, damping = trial, there, damping / 10
        if gain < _LEAST_GAIN:
            break
    return _lens_of(parameters, size)


def _lens_of(parameters: NDArray[np.float64], size: tuple[int, int]) -> Lens:
    scaled = parameters * _SCALES
    focal = float(max(size))
    shift = scaled[4:] * size[0] / 100
    centre = (np.array(size) - 1) / 2 + shift
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    return Lens(read_only(matrix), read_only(np.append(scaled[:4], 0.0)), *size)


def _plane(lens: Lens, sighting: Sighting) -> NDArray[np.float64]:
    """Return the homography from places on the target to the straight picture (direct linear transformation)."""
    target, target_scaling = _scaled(sighting.places.astype(np.float64))
    seen, seen_scaling = _scaled(lens.to_straight(sighting.points_px))
    lifted = np.column_stack([target, np.ones(len(target))])
    nothing = np.zeros_like(lifted)
    upper = np.hstack([lifted, nothing, -seen[:, :1] * lifted])
    lower = np.hstack([nothing, lifted, -seen[:, 1:] * lifted])
    smallest = np.linalg.svd(np.vstack([upper, lower]), full_matrices=False)[2][-1]
    matrix = np.linalg.inv(seen_scaling) @ smallest.reshape(3, 3) @ target_scaling
    return np.asarray(matrix / matrix[2, 2])


def _scaled(points: Points) -> tuple[Points, NDArray[np.float64]]:
    """Bring points to mean 0 and size 1, without which the linear solution is ill-conditioned (Hartley 1997)."""
    middle = points.mean(axis=0)
    scale = 1 / max(float(np.linalg.norm(points - middle, axis=1).mean()), 1e-12)
    matrix = np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])
    return (points - middle) * scale, matrix


def _away(lens: Lens, sighting: Sighting, plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Difference of every seen point from where lens and plane expect it, file pixels, shape (n, 2)."""
    lifted = sighting.places @ plane[:, :2].T + plane[:, 2]
    return lens.to_file(lifted[:, :2] / lifted[:, 2:]) - sighting.points_px


def _without_strays(lens: Lens, sighting: Sighting) -> Sighting:
    """Leave out points that lie far off where lens and plane expect them."""
    away = np.linalg.norm(_away(lens, sighting, _plane(lens, sighting)), axis=1)
    near = away <= max(_STRAY * float(np.median(away)), _LEAST_STRAY_PX)
    return Sighting(sighting.places[near], sighting.points_px[near])


def _every_second(sighting: Sighting, which: int) -> Sighting:
    chosen = sighting.places.sum(axis=1) % 2 == which
    return Sighting(sighting.places[chosen], sighting.points_px[chosen])


def _rms(away: Sequence[NDArray[np.float64]]) -> float:
    return math.sqrt(float(np.mean(np.sum(np.concatenate(away) ** 2, axis=1))))


def _coverage(sightings: Sequence[Sighting], size: tuple[int, int]) -> float:
    points = np.concatenate([sighting.points_px for sighting in sightings]).astype(np.float32)
    return float(cv2.contourArea(cv2.convexHull(points)) / (size[0] * size[1]))
