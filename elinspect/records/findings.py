"""What detectors see and what becomes a flag."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message, Value
from elinspect.records.pictures import Points
from elinspect.records.words import CrackMode, Kind, Source


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One thing a detector saw, in the frame of the cell picture.

    Attributes
    ----------
    kind : Kind
        What it is.
    cell : int
        Index of the cell.
    score : float
        0..1; continuous, comparable between cells of a panel and between panels.
    outline : ndarray, shape (m, 2)
        (row, column) in the cell picture: an open polyline for lines (crack, finger), a closed polygon (first point not
        repeated) for areas.
    length_mm, area_fraction : float or None
        Measures; areas as share of the cell.
    mode : CrackMode or None
        For cracks, what the image says about the current.
    measurements : mapping
        Further figures by name, units in the name.
    cells : tuple of int
        Indices of all cells that a finding about a string or the panel covers; empty for one about a cell.
    probability : float or None
        That the finding is true, by the classifier; None without one, or for kinds it does not know.
    evidence : str or None
        What the classifier saw, packed, so that it can learn from the inspector's answer.
    """

    kind: Kind
    cell: int
    score: float
    outline: Points
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    measurements: Mapping[str, Value] = field(default_factory=dict)
    cells: tuple[int, ...] = ()
    probability: float | None = None
    evidence: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What one detector says about a panel.

    Attributes
    ----------
    kind : Kind
        The detector's kind.
    cell_scores : ndarray of float32, shape (n_cells,)
        Score 0..1 of the strongest that was found on every cell, also below the threshold, and also where another kind
        explains it; what the classifier reads.
    findings : tuple of Finding
        What reached the threshold; empty when nothing did.
    nearness : ndarray of float32, shape (n_cells,), or None
        How near each cell came to a finding, 0..1, by the quantity that decides, also where nothing was found that has
        a score; None where the scores say it themselves.
    seen : bool
        False where the picture does not show what the kind is told by (busbars, other cells to compare with): then no
        finding says nothing.
    """

    kind: Kind
    cell_scores: NDArray[np.float32]
    findings: tuple[Finding, ...]
    nearness: NDArray[np.float32] | None = None
    seen: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Flag:
    """A mark on a cell, string or joint, as it stands in the result file and in the log.

    Attributes
    ----------
    id : str
        Unique within the inspection.
    kind : Kind
        What it is.
    string, position : int or None
        Address; position None for string flags, both None for panel flags.
    score : float
        0..1.
    outline_px : tuple of (x, y)
        Outline in file pixels.
    box_px : tuple of float
        x, y, width, height in file pixels.
    length_mm, area_fraction, mode, loss_w
        Measures; None where they cannot be given.
    source : Source
        Machine or inspector.
    measurements : mapping
        Further figures, units in the names.
    parent : str or None
        Id of the flag of the primary kind under which this one hangs.
    tile : int
        Index of the file.
    limit : str or None
        The limit it reaches, such as ``crack.any``; None below every limit.
    message : Message
        The reason in words.
    probability : float or None
        That the flag is true, by the classifier; None without one, or for kinds it does not know.
    evidence : str or None
        What the classifier saw, packed, so that it can learn from the inspector's answer.
    doubtful : bool
        Whether the classifier holds it for so improbable that it is only shown: it reaches no limit and counts towards
        nothing unless an inspector confirms it.
    """

    id: str
    kind: Kind
    string: int | None
    position: int | None
    score: float
    outline_px: tuple[tuple[float, float], ...]
    box_px: tuple[float, float, float, float]
    message: Message
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    loss_w: float | None = None
    source: Source = Source.MACHINE
    measurements: Mapping[str, Value] = field(default_factory=dict)
    parent: str | None = None
    tile: int = 0
    limit: str | None = None
    probability: float | None = None
    evidence: str | None = None
    doubtful: bool = False

    @property
    def stands_for(self) -> int:
        """How many places of its kind it stands for: 0 for a single one that hangs under the flag of them all."""
        if self.kind is not Kind.FINGER_INTERRUPTION:
            return 1
        number = 0 if "one_of" in self.measurements else self.measurements.get("interruptions")
        return int(number) if isinstance(number, int | float) else 1

    @property
    def counts(self) -> bool:
        """Whether it counts for itself: not doubtful, and not one of many for which another flag stands."""
        return self.stands_for > 0 and not self.doubtful
