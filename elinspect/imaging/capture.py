"""How a station names its files, and which camera file belongs to which tile: the capture file (TOML).

One panel may be several files: tiles side by side, the same again at low current, again for the noise, without current,
and a side file with current and voltage. A naming rule tells them apart and finds the rest of a set from any of its
files; nothing is guessed from the order in which files come.
"""

import json
import math
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from elinspect.catalogue import Message, Value, words
from elinspect.errors import ImageFileError
from elinspect.imaging.camera import read_camera_file
from elinspect.imaging.reading import read_exposures, single_exposure
from elinspect.imaging.scene import TileSetup
from elinspect.imaging.stored import ReadingLimits
from elinspect.records import ExposureConditions, ExposureRole, Exposures
from elinspect.toml_file import STRICT, read_toml

CAPTURE_SCHEMA = "elinspect.capture/1"

_ENDINGS = (".png", ".tif", ".tiff", ".jpg", ".jpeg")
_PARTS = ("serial", "exposure", "tile")
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


@validated(frozen=True, slots=True, config=STRICT)
class TileEntry:
    """One tile in a capture file.

    Attributes
    ----------
    name : str
        What stands for it in a file name.
    camera : str or None
        Its camera file, from the capture file's folder.
    at_px : tuple of float or None
        Where (x, y) its top left pixel lies in pixels of the first tile, to within some 40 pixels.
    """

    name: str = ""
    camera: str | None = None
    at_px: tuple[float, float] | None = None


def _full_current_only() -> dict[ExposureRole, str]:
    return {ExposureRole.FULL_CURRENT: ""}


def _one_tile() -> tuple[TileEntry, ...]:
    return (TileEntry(),)


@validated(frozen=True, config=STRICT)
class Capture:
    """What a capture file says.

    Attributes
    ----------
    name : str
        The station's name for it.
    files : str
        Rule for the names of picture files without their ending, from ``{serial}``, ``{exposure}`` and ``{tile}``.
    exposures : mapping from role to str
        What stands for each exposure in a name.
    side_file : str or None
        Rule for the whole name of a JSON or TOML file with current_a, voltage_v, temperature_c and taken_at.
    tiles : tuple of TileEntry
        In the order of tile numbers.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    schema: Literal["elinspect.capture/1"] = "elinspect.capture/1"
    files: str = "{serial}"
    exposures: dict[ExposureRole, str] = field(default_factory=_full_current_only)
    side_file: str | None = None
    tiles: Annotated[tuple[TileEntry, ...], Field(min_length=1)] = field(default_factory=_one_tile)

    def __post_init__(self) -> None:
        parts = _PLACEHOLDER.findall(self.files)
        if sorted(set(parts)) != sorted(parts) or not set(parts) <= set(_PARTS) or "serial" not in parts:
            raise ValueError(words("capture.rule_parts"))
        if ExposureRole.FULL_CURRENT not in self.exposures:
            raise ValueError(words("capture.rule_full_current"))
        for part, names in (("exposure", tuple(self.exposures.values())), ("tile", tuple(t.name for t in self.tiles))):
            if len(names) > 1 and (part not in parts or len(set(names)) < len(names)):
                raise ValueError(words("capture.rule_names", part=part))
        if len(self.tiles) > 1 and any(tile.at_px is None for tile in self.tiles):
            raise ValueError(words("capture.rule_places"))
        if self.side_file is not None and _PLACEHOLDER.findall(self.side_file) != ["serial"]:
            raise ValueError(words("capture.rule_side_file"))

    @cached_property
    def rule(self) -> re.Pattern[str]:
        """The naming rule as a pattern; the serial is what the other parts leave."""
        choices = {
            "serial": "(?P<serial>.+?)",
            "exposure": _choice("exposure", self.exposures.values()),
            "tile": _choice("tile", (tile.name for tile in self.tiles)),
        }
        pieces = _PLACEHOLDER.split(self.files)
        return re.compile("".join(choices[piece] if k % 2 else re.escape(piece) for k, piece in enumerate(pieces)))

    def name_of(self, serial: str, role: ExposureRole, tile: TileEntry) -> str:
        """Return the name, without its ending, that a file of a set has."""
        given = {"serial": serial, "exposure": self.exposures[role], "tile": tile.name}
        return _PLACEHOLDER.sub(lambda found: given[found.group(1)], self.files)


@dataclass(frozen=True, slots=True)
class PanelFiles:
    """The files of one panel.

    Attributes
    ----------
    full_current, low_current, repeat, dark : tuple of Path
        One per tile, or none.
    serial : str or None
        From the names.
    side : Path or None
        The side file, if there is one.
    notes : tuple of Message
        What was left out, and why.
    refused : Message or None
        Why the set cannot be inspected: a tile is missing, a name does not follow the rule.
    """

    full_current: tuple[Path, ...]
    low_current: tuple[Path, ...] = ()
    repeat: tuple[Path, ...] = ()
    dark: tuple[Path, ...] = ()
    serial: str | None = None
    side: Path | None = None
    notes: tuple[Message, ...] = ()
    refused: Message | None = None


@dataclass(frozen=True, slots=True)
class CameraSet:
    """What is known about a station's cameras and about the names of their files; nothing at all by default.

    Attributes
    ----------
    capture : Capture or None
        The naming rule; without one every file is a panel of its own.
    setups : tuple of TileSetup
        One per tile; none where no camera is known.
    """

    capture: Capture | None = None
    setups: tuple[TileSetup, ...] = ()

    def sets_of(self, paths: Iterable[Path]) -> tuple[PanelFiles, ...]:
        """Gather files into panels, in the order in which each panel first occurs.

        Parameters
        ----------
        paths : iterable of Path
            Any files of the panels; what else belongs to a panel is looked for beside them.

        Returns
        -------
        tuple of PanelFiles
            A file whose name does not follow the rule stands alone, refused.
        """
        if self.capture is None:
            return tuple(PanelFiles((path,)) for path in paths)
        sets: dict[tuple[Path, str], PanelFiles] = {}
        for path in paths:
            found = self.capture.rule.fullmatch(path.stem)
            if found is None:
                values = {"file": str(path), "rule": self.capture.files}
                sets[path, ""] = PanelFiles((path,), refused=Message("capture.other_name", values))
            elif (path.parent, found["serial"]) not in sets:
                sets[path.parent, found["serial"]] = _gathered(self.capture, path, found["serial"])
        return tuple(sets.values())


def read_camera_set(path: Path) -> CameraSet:
    """Read a camera file, or a capture file with the camera files it names.

    Raises
    ------
    SettingsFileError
        If a file is missing or wrong; the text names it.
    """
    if path.suffix.casefold() != ".toml":
        return CameraSet(None, (TileSetup(read_camera_file(path)),))
    capture = read_toml(path, Capture, words("what.capture"), CAPTURE_SCHEMA)
    setups = [
        TileSetup(None if tile.camera is None else read_camera_file(path.parent / tile.camera), tile.at_px)
        for tile in capture.tiles
    ]
    return CameraSet(capture, tuple(setups))


def read_panel(files: PanelFiles, limits: ReadingLimits | None = None) -> Exposures:
    """Read the files of one panel.

    Raises
    ------
    ImageFileError
        If the set is refused, or as `read_image`.
    """
    if files.refused is not None:
        raise ImageFileError(files.refused.code, **files.refused.values)
    if len(files.full_current) == 1 and files == PanelFiles(files.full_current):
        return single_exposure(files.full_current[0], limits)
    exposures = read_exposures(
        files.full_current, low_current=files.low_current, repeat=files.repeat, dark=files.dark, limits=limits
    )
    conditions, notes = ExposureConditions(), files.notes
    if files.side is not None:
        try:
            conditions = read_side_file(files.side)
        except (OSError, ValueError, TypeError) as error:
            notes += (Message("capture.side_file", {"file": str(files.side), "cause": str(error)}),)
    return replace(exposures, serial=files.serial, conditions=conditions, notes=notes)


def read_side_file(path: Path) -> ExposureConditions:
    """Read current, voltage, temperature and time of an exposure from a JSON or TOML file; other keys are left alone.

    Raises
    ------
    OSError, ValueError, TypeError
        If it cannot be read, or a figure in it is none.
    """
    text = path.read_text(encoding="utf-8")
    table: dict[str, Any] = tomllib.loads(text) if path.suffix.casefold() == ".toml" else json.loads(text)
    if not isinstance(table, dict):
        raise TypeError(words("capture.no_table"))
    taken_at = table.get("taken_at")
    return ExposureConditions(
        _figure(table, "current_a"),
        _figure(table, "voltage_v"),
        _figure(table, "temperature_c"),
        None if taken_at is None else str(taken_at),
    )


def _figure(table: dict[str, Any], name: str) -> float | None:
    given = table.get(name)
    if given is None:
        return None
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise ValueError(words("capture.no_figure", key=name, given=str(given)))
    return float(given)


def _choice(part: str, names: Iterable[str]) -> str:
    # The longest first: one name may begin another.
    ordered = sorted(set(names), key=len, reverse=True)
    return f"(?P<{part}>{'|'.join(re.escape(name) for name in ordered)})"


def _gathered(capture: Capture, path: Path, serial: str) -> PanelFiles:
    found: dict[ExposureRole, tuple[Path, ...]] = {}
    notes: list[Message] = []
    refused = None
    for role in capture.exposures:
        names = [capture.name_of(serial, role, tile) for tile in capture.tiles]
        there = [_beside(path, name) for name in names]
        missing = [name for name, file in zip(names, there, strict=True) if file is None]
        values: dict[str, Value] = {"n": len(missing), "missing": ", ".join(missing), "folder": str(path.parent)}
        found[role] = tuple(file for file in there if file is not None) if not missing else ()
        if missing and role is ExposureRole.FULL_CURRENT:
            refused = Message("capture.missing_tile", values)
        elif 0 < len(missing) < len(names):
            notes.append(Message("capture.missing_companion", values))
    side = None
    if capture.side_file is not None:
        side = path.parent / capture.side_file.replace("{serial}", serial)
    return PanelFiles(
        found[ExposureRole.FULL_CURRENT] or (path,),
        found.get(ExposureRole.LOW_CURRENT, ()),
        found.get(ExposureRole.REPEAT, ()),
        found.get(ExposureRole.DARK, ()),
        serial,
        side if side is not None and side.is_file() else None,
        tuple(notes),
        refused,
    )


def _beside(path: Path, name: str) -> Path | None:
    """Return the picture file of that name beside another, preferring the same ending."""
    endings: Sequence[str] = (path.suffix, *_ENDINGS, *(ending.upper() for ending in _ENDINGS))
    candidates = (path.parent / f"{name}{ending}" for ending in endings)
    return next((candidate for candidate in candidates if candidate.is_file()), None)
