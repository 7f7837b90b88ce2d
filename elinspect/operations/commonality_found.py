"""What a commonality analysis of a log says, as values."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.change_point import Repair
from elinspect.statistics.lots import Finding
from elinspect.statistics.places import PlaceCluster
from elinspect.statistics.suspects import Level
from elinspect.store.verify import ChainHead

FloatArray = NDArray[np.float64]

TIMES_TO_FIND = 4.0
"""How much worse a lane is that should be found; says how many cells are missing."""


@dataclass(frozen=True, slots=True)
class LaneRate:
    """One lane in the period.

    Attributes
    ----------
    stringer, lane : str
        Which.
    flagged, cells : int
        Flagged cells and cells inspected.
    rate, low, high : float
        Share and its 95 % interval (Wilson, widened by the variation between strings).
    """

    stringer: str
    lane: str
    flagged: int
    cells: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """The machine place, person or machine that is accused, or that cannot be told from its lots or others.

    Attributes
    ----------
    level : Level
        What it is.
    name : str
        As the plant calls it.
    stringer, lane : str
        Empty lane: the whole stringer; both empty for an operator, a lay-up or bussing machine.
    position : int
        From the leading end; 0 for any.
    place : int
        Place in the cell (`elinspect.statistics.strings_made.place_code`), -1 for any.
    observed : int
        Flagged strings in the span the search found.
    expected : float
        What it would have if the machine did not matter.
    onset_day, onset_low, onset_high : str
        First day or time of the higher rate, and its 95 % interval.
    times : float
        Rate since then over that of the others.
    bad_rate : tuple of (int, int)
        Flagged strings and strings since onset.
    nearby : tuple of str
        Maintenance on the machine near the onset, in words of the log, and cell lots begun then.
    repair : Repair or None
        What can be said about the last repair since the onset; None without one.
    repair_what, repair_at : str
        That repair.
    since_repair : tuple of (int, int)
        Flagged strings and strings since.
    missing_after_repair : int
        Strings still needed to tell.
    """

    level: Level
    name: str
    stringer: str
    lane: str
    position: int
    place: int
    observed: int
    expected: float
    onset_day: str
    onset_low: str
    onset_high: str
    times: float
    bad_rate: tuple[int, int]
    nearby: tuple[str, ...] = ()
    repair: Repair | None = None
    repair_what: str = ""
    repair_at: str = ""
    since_repair: tuple[int, int] = (0, 0)
    missing_after_repair: int = 0


@dataclass(frozen=True, slots=True)
class Example:
    """A cell that shows what the suspect does.

    Attributes
    ----------
    inspection : str
        Id of the picture in the log.
    serial : str
        Of the panel.
    string, position : int
        Where in the panel.
    """

    inspection: str
    serial: str
    string: int
    position: int


@dataclass(frozen=True, slots=True)
class Lead:
    """One line of the list to look into; no accusation.

    Attributes
    ----------
    what : str
        Grouping: ``stringer``, ``lane``, ``cell_lot`` and so on.
    name : str
        Group.
    flagged, cells : int
        Flagged cells and cells.
    times : float
        Rate over that of all others.
    adjusted : float
        p adjusted for the length of the list (false discovery rate).
    """

    what: str
    name: str
    flagged: int
    cells: int
    times: float
    adjusted: float


@dataclass(frozen=True, slots=True, eq=False)
class Commonality:
    """What a commonality analysis says.

    Attributes
    ----------
    kinds : tuple of Kind
        Kinds of flag looked at; empty for all.
    decided : bool
        Whether confirmed flags of decided panels were counted, or what the machine flagged.
    first_day, last_day : str
        Days with inspections in the period; empty if none.
    finding : Finding
        The answer.
    suspect : Suspect or None
        Of the finding.
    lot : str or None
        Supplier and lot that is accused.
    rivals : tuple of (str, str)
        Who else handled nearly the same strings as the suspect, so that they cannot be separated: level and name.
    charged : mapping from str to int
        Confirmed cells of the suspect, the newest, by the part of the making that is charged (`first_stage.Charged`).
    p_value, level : float
        Of the search the finding rests on, and what it was compared with.
    missing_cells : int
        Cells a lane still lacks before one that is four times as bad would be found; 0 if there are enough.
    lanes : tuple of LaneRate
        All lanes.
    leads : tuple of Lead
        To look into, likeliest first.
    cluster : PlaceCluster or None
        Where in the cell the suspect's flags gather.
    repeats : int
        Flags set apart as repeats of a wafer.
    repeated : tuple of Example
        Those, the newest first, at most two hundred.
    flagged, cells : int
        Flagged cells counted, and cells inspected.
    map : ndarray, shape (lanes, positions)
        Flagged strings by lane and position from the leading end, in the order of `lanes`.
    places : ndarray, shape (flags, 2)
        Places of the suspect's flags in the cell, along and across the lane.
    per_day : ndarray, shape (days, 2)
        Flagged strings and strings of the suspect by day.
    days : tuple of str
        The days.
    examples : tuple of Example
        Cells that show it, the newest first, one of a panel.
    heads : tuple of ChainHead
        Ends of the log's chains.
    """

    purpose: Purpose
    stage: Stage
    kinds: tuple[Kind, ...]
    decided: bool
    first_day: str
    last_day: str
    finding: Finding
    suspect: Suspect | None
    lot: str | None
    rivals: tuple[tuple[str, str], ...]
    charged: Mapping[str, int]
    p_value: float
    level: float
    missing_cells: int
    lanes: tuple[LaneRate, ...]
    leads: tuple[Lead, ...]
    cluster: PlaceCluster | None
    repeats: int
    repeated: tuple[Example, ...]
    flagged: int
    cells: int
    map: FloatArray
    places: FloatArray
    per_day: FloatArray
    days: tuple[str, ...]
    examples: tuple[Example, ...]
    heads: tuple[ChainHead, ...] = field(default=())
