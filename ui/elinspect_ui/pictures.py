"""The pictures of the panel on screen and of the next one, read in the background."""

from collections.abc import Callable
from pathlib import Path

from elinspect.errors import ElinspectError, ImageFileError
from elinspect.records import ElImage, PanelResult
from elinspect_ui.jobs import Job, Jobs
from elinspect_ui.viewer.picture import Picture, make_picture

KEPT = 3
"""Pictures kept: the one on screen, the next one, and an earlier one of the same panel. 60 MP take 160 MB each."""


class Pictures:
    """Reads pictures off the Qt thread and keeps the last few.

    Parameters
    ----------
    jobs : Jobs
        Two threads: a picture given up while it is being read must not keep the next one waiting.
    read : callable
        Reads an exposure.
    ready, failed : callable
        Called on the Qt thread with the inspection and the picture, or the error.
    """

    def __init__(
        self,
        jobs: Jobs,
        read: Callable[[Path], ElImage],
        ready: Callable[[str, Picture], None],
        failed: Callable[[str, Exception], None],
    ) -> None:
        self._jobs = jobs
        self._read = read
        self._ready = ready
        self._failed = failed
        self._kept: dict[str, Picture] = {}
        self._under_way: dict[str, Job] = {}

    def want(self, inspection: str, result: PanelResult) -> Picture | None:
        """Return a picture if it is there; otherwise read it, and give up reading any other."""
        if inspection in self._kept:
            self._kept[inspection] = self._kept.pop(inspection)
            return self._kept[inspection]
        for other in [name for name in self._under_way if name != inspection]:
            self._under_way.pop(other).cancel()
        self.prefetch(inspection, result)
        return None

    def kept(self, inspection: str) -> Picture | None:
        """Return a picture that is there; nothing is read."""
        return self._kept.get(inspection)

    def prefetch(self, inspection: str, result: PanelResult) -> None:
        """Read a picture unless it is there or on its way."""
        if inspection in self._kept or inspection in self._under_way:
            return

        def done(picture: Picture) -> None:
            self._under_way.pop(inspection, None)
            self._keep(inspection, picture)
            self._ready(inspection, picture)

        def failed(error: Exception) -> None:
            self._under_way.pop(inspection, None)
            self._failed(inspection, error)

        self._under_way[inspection] = self._jobs.submit(lambda: read_picture(self._read, result), done, failed)

    def close(self) -> None:
        """Give up everything."""
        self._jobs.close(2_000, finish=False)

    def _keep(self, inspection: str, picture: Picture) -> None:
        while len(self._kept) >= KEPT:
            del self._kept[next(iter(self._kept))]
        self._kept[inspection] = picture


def read_picture(read: Callable[[Path], ElImage], result: PanelResult) -> Picture:
    """Read the exposure of a result and prepare it for the screen.

    Raises
    ------
    ImageFileError
        If the file cannot be read, or is no longer the one that was inspected.
    ElinspectError
        If the inspection has no readable file.
    """
    if result.image.sha256 is None:
        raise ElinspectError("desktop.picture.never_read", file=result.image.path)
    image = read(Path(result.image.path))
    if image.sha256 != result.image.sha256:
        raise ImageFileError("desktop.picture.other_file", file=result.image.path)
    return make_picture(image, result)
