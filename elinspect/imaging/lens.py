"""Lens distortion: points go both ways between the file and the picture of a lens that draws straight.

Pixels are not moved here. Whoever resamples the file anyway (cutting cells) asks where each place lies in the file, so
that there is one resampling and an exact way back.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.vision import cv2

_EXACT = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """A camera's lens.

    The *straight* picture is what a lens without distortion would have drawn with the same focal length and the same
    centre: straight lines of the panel are straight in it. Near the centre both pictures agree.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Focal lengths and principal point in file pixels.
    distortion : ndarray, shape (5,)
        Radial k1, k2, tangential p1, p2, radial k3 (Brown 1971, as OpenCV orders them).
    width_px, height_px : int
        Size of the files it belongs to.
    """

    matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]
    width_px: int
    height_px: int

    def to_straight(self, points_px: Points) -> Points:
        """Bring points (x, y) of the file to the straight picture, shape (..., 2)."""
        flat = np.asarray(points_px, np.float64).reshape(-1, 1, 2)
        if flat.size == 0:
            return np.array(points_px, np.float64)
        moved = cv2.undistortPoints(flat, self.matrix, self.distortion, P=self.matrix, criteria=_EXACT)
        return np.asarray(moved, np.float64).reshape(np.shape(points_px))

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y) of the straight picture to the file, shape (..., 2); the inverse of `to_straight`."""
        # Written out: OpenCV's function for points works out derivatives as well, twenty times as long.
        back = np.linalg.inv(self.matrix)
        ray = np.asarray(points, np.float64) @ back[:2, :2].T + back[:2, 2]
        x, y = ray[..., 0], ray[..., 1]
        k1, k2, p1, p2, k3 = self.distortion
        square = x**2 + y**2
        radial = 1 + square * (k1 + square * (k2 + square * k3))
        bent_x = x * radial + 2 * p1 * x * y + p2 * (square + 2 * x**2)
        bent_y = y * radial + p1 * (square + 2 * y**2) + 2 * p2 * x * y
        bent = np.stack([bent_x, bent_y], axis=-1)
        return np.asarray(bent @ self.matrix[:2, :2].T + self.matrix[:2, 2])

    def holds_everywhere(self) -> bool:
        """Whether points go there and back over the whole file, to a hundredth of a pixel.

        Where the distortion folds the picture over, some places of the file come from nowhere and do not come back.
        """
        x, y = np.linspace(0, self.width_px - 1, 25), np.linspace(0, self.height_px - 1, 25)
        raster = np.stack(np.meshgrid(x, y), axis=-1)
        back = self.to_file(self.to_straight(raster))
        return bool(np.all(np.isfinite(back)) and np.abs(back - raster).max() < 0.01)

    def straightened(self, counts: FloatImage, shrink: int = 1) -> FloatImage:
        """Resample a file to the straight picture, for display and for finding the panel roughly.

        Parameters
        ----------
        counts : ndarray of float32, shape (height_px, width_px)
            The file.
        shrink : int
            Whole number of file pixels per pixel, each way; pixels are not averaged.

        Returns
        -------
        ndarray of float32, shape (height_px // shrink, width_px // shrink)
            0 where the file shows nothing.
        """
        if counts.shape != (self.height_px, self.width_px):
            raise ValueError(f"lens of {self.width_px} x {self.height_px} px, picture of {counts.shape[::-1]}")
        target = self.matrix.copy()
        # The centre of pixel 0 of the small picture is the middle of the first `shrink` pixels.
        target[:2] /= shrink
        target[:2, 2] += (1 / shrink - 1) / 2
        size = (self.width_px // shrink, self.height_px // shrink)
        map_x, map_y = cv2.initUndistortRectifyMap(self.matrix, self.distortion, np.eye(3), target, size, cv2.CV_32FC1)
        return np.asarray(
            cv2.remap(counts, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0),
            np.float32,
        )
