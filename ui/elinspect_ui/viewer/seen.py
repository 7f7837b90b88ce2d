"""Which cells of a panel have been on screen whole, over all of its pictures. No Qt."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from elinspect_ui.viewer.picture import Picture
from elinspect_ui.viewer.viewport import Viewport


class SeenCells:
    """Remembers the cells that were shown, each in the picture in which it was judged.

    Parameters
    ----------
    pictures : sequence of Picture
        All pictures of the panel.
    """

    def __init__(self, pictures: Sequence[Picture] = ()) -> None:
        self._seen: list[NDArray[np.bool_]] = [np.zeros(len(each.places.addresses), dtype=bool) for each in pictures]

    @property
    def unseen(self) -> int:
        """Cells that have not been on screen whole."""
        return sum(int((~seen).sum()) for seen in self._seen)

    def note(self, number: int, picture: Picture, viewport: Viewport) -> bool:
        """Note what a viewport shows of one of the pictures; return whether that is more than before."""
        before = self._seen[number]
        if before.all():
            return False
        points = viewport.to_screen(picture.places.quads.reshape(-1, 2)).reshape(-1, 4, 2)
        inside = (points >= 0) & (points <= (viewport.width, viewport.height))
        after = before | inside.all(axis=(1, 2))
        self._seen[number] = after
        return bool(after.sum() > before.sum())
