"""The pictures of the panel on screen and of the next one, read in the background.

A panel has one picture, or several tiles: always all of them together, so that none can be forgotten.
"""

from collections.abc import Callable
from pathlib import Path

from elinspect.errors import ElinspectError, ImageFileError
from elinspect.records import ElImage, PanelResult
from elinspect_ui.jobs import Job, Jobs
from elinspect_ui.viewer.picture import Picture, make_pictures

KEPT = 3
"""Panels whose pictures are kept: that on screen, the next one, an earlier one of the same panel. 60 MP take 160 MB."""


class Pictures:
    """Reads pictures off the Qt thread and keeps the last few.

    Parameters
    ----------
    jobs : Jobs
        Two threads: a picture given up while it is being read must not keep the next one waiting.
    read : callable
        Reads an exposure.
    ready, failed : callable
        Called on the Qt thread with the inspection and its pictures, or the error.
    """

    def __init__(
        self,
        jobs: Jobs,
        read: Callable[[Path], ElImage],
        ready: Callable[[str, tuple[Picture, ...]], None],
        failed: Callable[[str, Exception], None],
    ) -> None:
        self._jobs = jobs
        self._read = read
        self._ready = ready
        self._failed = failed
        self._kept: dict[str, tuple[Picture, ...]] = {}
        self._under_way: dict[str, Job] = {}

    def want(self, inspection: str, result: PanelResult) -> tuple[Picture, ...] | None:
        """Return the pictures of a panel if they are there; otherwise read them, and give up reading any other."""
        if inspection in self._kept:
            self._kept[inspection] = self._kept.pop(inspection)
            return self._kept[inspection]
        for other in [name for name in self._under_way if name != inspection]:
            self._under_way.pop(other).cancel()
        self.prefetch(inspection, result)
        return None

    def kept(self, inspection: str) -> tuple[Picture, ...] | None:
        """Return pictures that are there; nothing is read."""
        return self._kept.get(inspection)

    def prefetch(self, inspection: str, result: PanelResult) -> None:
        """Read the pictures of a panel unless they are there or on their way."""
        if inspection in self._kept or inspection in self._under_way:
            return

        def done(pictures: tuple[Picture, ...]) -> None:
            self._under_way.pop(inspection, None)
            self._keep(inspection, pictures)
            self._ready(inspection, pictures)

        def failed(error: Exception) -> None:
            self._under_way.pop(inspection, None)
            self._failed(inspection, error)

        self._under_way[inspection] = self._jobs.submit(lambda: read_pictures(self._read, result), done, failed)

    def close(self) -> None:
        """Give up everything."""
        self._jobs.close(2_000, finish=False)

    def _keep(self, inspection: str, pictures: tuple[Picture, ...]) -> None:
        while len(self._kept) >= KEPT:
            del self._kept[next(iter(self._kept))]
        self._kept[inspection] = pictures


def read_pictures(read: Callable[[Path], ElImage], result: PanelResult) -> tuple[Picture, ...]:
    """Read every exposure at full current of a result and prepare them for the screen, in the order of their tiles.

    Raises
    ------
    ImageFileError
        If a file cannot be read, or is no longer the one that was inspected.
    ElinspectError
        If the inspection has no readable file.
    """
    if result.image.sha256 is None:
        raise ElinspectError("desktop.picture.never_read", file=result.image.path)
    inspected = {file.path: file.sha256 for file in result.image.files}
    inspected[result.image.path] = result.image.sha256
    images = []
    for path in (result.image.path, *result.image.tiles):
        image = read(Path(path))
        if image.sha256 != inspected.get(path):
            raise ImageFileError("desktop.picture.other_file", file=path)
        images.append(image)
    return make_pictures(images, result)
