"""The station file (TOML): which folder, which product, where the serial comes from, how fast the line is."""

import re
from collections.abc import Sequence
from dataclasses import field, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from elinspect.catalogue import words
from elinspect.errors import SettingsFileError
from elinspect.records import Purpose, Stage
from elinspect.toml_file import STRICT, read_toml

SCHEMA = "elinspect.station/1"
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


class SerialSource(StrEnum):
    """Where a serial may come from."""

    FILE_NAME = "file_name"
    SIDE_FILE = "side_file"
    PICTURE = "picture"


@validated(frozen=True, slots=True, config=STRICT)
class SerialRule:
    """How the serial of a panel is found and checked.

    Attributes
    ----------
    sources : tuple of SerialSource
        All of these are asked; two that say different things hold the panel.
    pattern : str
        Regular expression the whole serial must match.
    counts_up : bool
        Whether panels come in the order of their serials: one whose running number is not above the last one's holds.
    """

    sources: tuple[SerialSource, ...] = (SerialSource.FILE_NAME, SerialSource.SIDE_FILE)
    pattern: str = r".{1,120}"
    counts_up: bool = False

    def __post_init__(self) -> None:
        try:
            re.compile(self.pattern)
        except re.error as error:
            raise ValueError(words("station.pattern", cause=str(error))) from error


@validated(frozen=True, slots=True, config=STRICT)
class StationFile:
    """What a station file says; paths are seen from its own folder.

    Attributes
    ----------
    name : str
        Of the station; its chain in the log.
    folder : Path
        Where the camera writes.
    recipe : Path
        Product recipe.
    criteria : Path or None
        Acceptance criteria; the shipped ones if left out.
    capture : Path or None
        Capture file (names of files, tiles, cameras) or camera file; without one every picture is a panel.
    model : str or None
        The classifier: a model card seen from the station file's folder, ``shipped``, ``none``, or nothing for the
        model in force on this machine.
    customer : str or None
        For whom the panels are made; criteria may differ.
    log : str or None
        File or URL.
    purpose, stage
        Of all panels.
    settle_s : float
        A file is complete when it has not changed for so long.
    companions_s : float
        How long companions named by the capture file are waited for.
    polling : bool
        Look into the folder every second instead of being told by the system: for network shares.
    takt_s : float or None
        Takt of the line.
    shifts : tuple of str
        When shifts begin.
    tools : Path or None
        The plant's map of what touches where (TOML), for the cards of alerts.
    cards : Path or None
        Folder for a card (PDF) of each alert; without one they are only told.
    serial : SerialRule
        How the serial is found.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    folder: Path
    recipe: Path
    schema: Literal["elinspect.station/1"] = "elinspect.station/1"
    criteria: Path | None = None
    capture: Path | None = None
    model: str | None = None
    customer: str | None = None
    log: str | None = None
    purpose: Purpose = Purpose.PRODUCTION
    stage: Stage = Stage.BEFORE_LAMINATION
    settle_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    companions_s: Annotated[float, Field(ge=0, le=600)] = 10.0
    polling: bool = False
    takt_s: Annotated[float | None, Field(gt=0)] = None
    shifts: tuple[str, ...] = ()
    tools: Path | None = None
    cards: Path | None = None
    serial: SerialRule = field(default_factory=SerialRule)

    def __post_init__(self) -> None:
        for start in self.shifts:
            if not _TIME.fullmatch(start):
                raise ValueError(words("station.shift_time", given=start))


def shared_log(stations: Sequence[StationFile]) -> str | None:
    """Return the log that the stations of one seat share; None where none of them names one.

    Raises
    ------
    SettingsFileError
        If they name different logs: panels of all but one would never come to this seat.
    """
    named = {each.log: each.name for each in stations if each.log is not None}
    if len(named) > 1:
        logs = ", ".join(f"{name}: {log}" for log, name in named.items())
        raise SettingsFileError("station.other_logs", logs=logs)
    return next(iter(named), None)


def read_station_file(path: Path) -> StationFile:
    """Read a station file; its paths come back as seen from here.

    Raises
    ------
    SettingsFileError
        If it is missing or wrong, or the folder it names is none; the text names file and key.
    """
    read = read_toml(path, StationFile, words("what.station"), SCHEMA)
    here = path.absolute().parent
    station = replace(
        read,
        folder=here / read.folder,
        recipe=here / read.recipe,
        criteria=here / read.criteria if read.criteria is not None else None,
        capture=here / read.capture if read.capture is not None else None,
        tools=here / read.tools if read.tools is not None else None,
        cards=here / read.cards if read.cards is not None else None,
        model=read.model if read.model in (None, "none", "shipped") else str(here / read.model),
        log=read.log if read.log is None or "://" in read.log else str(here / read.log),
    )
    if not station.folder.is_dir():
        raise SettingsFileError("station.no_folder", file=str(path), folder=str(station.folder))
    return station
