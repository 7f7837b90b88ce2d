"""Which part of the gate view is on screen, and how large. No Qt."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Points

LARGEST_SCALE = 16.0
"""Screen pixels per picture pixel at most: beyond it a picture shows nothing more."""


@dataclass(frozen=True, slots=True)
class Viewport:
    """A window onto the gate view.

    Attributes
    ----------
    width, height : float
        Size on screen, in screen pixels.
    scale : float
        Screen pixels per pixel of the gate view.
    centre_x, centre_y : float
        Point of the gate view in the middle of the screen.
    """

    width: float
    height: float
    scale: float = 1.0
    centre_x: float = 0.0
    centre_y: float = 0.0

    def screen_from_gate(self) -> NDArray[np.float64]:
        """Return the matrix, shape (3, 3), from (x, y, 1) of the gate view to screen pixels.

        A pixel's centre has whole coordinates in the gate view; on screen whole coordinates are the corners.
        """
        left = self.width / 2 - self.scale * self.centre_x
        top = self.height / 2 - self.scale * self.centre_y
        return np.array([[self.scale, 0.0, left], [0.0, self.scale, top], [0.0, 0.0, 1.0]])

    def to_screen(self, points: Points) -> Points:
        """Bring points (x, y), shape (n, 2), of the gate view to screen pixels."""
        middle = np.array([self.width / 2, self.height / 2])
        return np.asarray((points - (self.centre_x, self.centre_y)) * self.scale + middle)

    def to_gate(self, x: float, y: float) -> tuple[float, float]:
        """Bring a point of the screen to the gate view."""
        return (
            (x - self.width / 2) / self.scale + self.centre_x,
            (y - self.height / 2) / self.scale + self.centre_y,
        )

    def resized(self, width: float, height: float) -> "Viewport":
        """Return the viewport in another size on screen, the same point in the middle."""
        return replace(self, width=width, height=height)

    def fitted(self, outline: Points, margin: float = 0.0) -> "Viewport":
        """Return the viewport in which an outline just fits.

        Parameters
        ----------
        outline : ndarray, shape (n, 2)
            Points (x, y) of the gate view.
        margin : float
            Screen pixels left free on every side.
        """
        (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
        across = max(right - left, 1.0)
        down = max(bottom - top, 1.0)
        scale = min(max(self.width - 2 * margin, 1.0) / across, max(self.height - 2 * margin, 1.0) / down)
        return replace(
            self,
            scale=float(min(scale, LARGEST_SCALE)),
            centre_x=float((left + right) / 2),
            centre_y=float((top + bottom) / 2),
        )

    def zoomed(self, factor: float, x: float, y: float, smallest: float) -> "Viewport":
        """Return the viewport enlarged about a point of the screen, which stays where it is.

        Parameters
        ----------
        factor : float
            Above 1 enlarges.
        x, y : float
            Point of the screen.
        smallest : float
            Smallest scale allowed.
        """
        scale = float(np.clip(self.scale * factor, min(smallest, LARGEST_SCALE), LARGEST_SCALE))
        gate_x, gate_y = self.to_gate(x, y)
        return replace(
            self,
            scale=scale,
            centre_x=gate_x - (x - self.width / 2) / scale,
            centre_y=gate_y - (y - self.height / 2) / scale,
        )

    def moved(self, right: float, down: float) -> "Viewport":
        """Return the viewport after the picture was dragged by so many screen pixels."""
        return replace(self, centre_x=self.centre_x - right / self.scale, centre_y=self.centre_y - down / self.scale)

    def kept_on(self, width_px: float, height_px: float) -> "Viewport":
        """Return the viewport with its middle on a picture of the given size, so that it cannot be lost."""
        return replace(
            self,
            centre_x=float(np.clip(self.centre_x, 0.0, width_px - 1)),
            centre_y=float(np.clip(self.centre_y, 0.0, height_px - 1)),
        )
