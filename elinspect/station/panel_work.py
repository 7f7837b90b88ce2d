"""One panel at the station: read, serial, inspect, log. Runs in the worker's process."""

import logging
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np

from elinspect.catalogue import Message
from elinspect.classifier import Model
from elinspect.criteria import AcceptanceCriteria, default_criteria, read_criteria
from elinspect.errors import ElinspectError, ImageFileError, LogError
from elinspect.imaging.capture import CameraSet, PanelFiles, read_camera_set, read_panel
from elinspect.operations.alert_card import put_card
from elinspect.operations.alert_watch import AlertWatch
from elinspect.operations.log_inspection import held_if_image_known, log_inspection, next_attempt
from elinspect.operations.rechecking import rechecked
from elinspect.operations.site_models import open_model
from elinspect.operations.tool_map import MachinePart, read_tool_map
from elinspect.operations.versions import log_criteria, log_model, log_recipe
from elinspect.pipeline import Occasion, inspect_panel
from elinspect.recipe import Product, read_recipe
from elinspect.records import Disposition, Exposures, FloatImage, NoModel, PanelResult, Proposal, Purpose
from elinspect.station.serials import SerialReading, agreed_serial, out_of_order, repeated
from elinspect.station.station_file import SerialSource, StationFile
from elinspect.store.log import Log, open_log
from elinspect.store.reading import last_at_station, pictures_of

_log = logging.getLogger(__name__)
_SIDE_KEYS = ("serial", "panel_serial")
_CODE_SIDE_PX = 1600


class Came(StrEnum):
    """What came of a set of files."""

    INSPECTED = "inspected"
    REFUSED = "refused"
    LATER = "later"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a set of files.

    Attributes
    ----------
    came : Came
        `LATER`: nothing is wrong with the files, but the log could not be written; they are tried again.
    serial : str or None
        The panel.
    inspection : str or None
        Id in the log.
    proposal : Disposition or None
        What is suggested.
    reason : Message or None
        Why it was refused or put off.
    alerts : tuple of Message
        What a technician should look at now, raised by this panel.
    """

    came: Came
    serial: str | None = None
    inspection: str | None = None
    proposal: Disposition | None = None
    reason: Message | None = None
    alerts: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What every panel of a station needs, read once.

    Attributes
    ----------
    station : StationFile
        The settings.
    product : Product
        What the panels are.
    criteria : AcceptanceCriteria
        The limits.
    cameras : CameraSet
        Names of files, tiles, cameras.
    model : Model or NoModel
        The classifier, or why there is none.
    log : Log
        Where inspections go.
    tools : tuple of MachinePart
        The plant's map of what touches where, for the cards of alerts.
    watch : AlertWatch
        Looks at the lanes of every panel.
    """

    station: StationFile
    product: Product
    criteria: AcceptanceCriteria
    cameras: CameraSet
    model: Model | NoModel
    log: Log
    tools: tuple[MachinePart, ...]
    watch: AlertWatch


def set_up(station: StationFile, log: str) -> Bench:
    """Read all files a station names and open its log.

    Raises
    ------
    ElinspectError
        If a file is missing or wrong, or the log cannot be opened.
    """
    product = Product(read_recipe(station.recipe))
    criteria = read_criteria(station.criteria) if station.criteria is not None else default_criteria()
    cameras = read_camera_set(station.capture) if station.capture is not None else CameraSet()
    model = open_model(station.model)
    opened = open_log(log)
    log_recipe(opened, product.recipe, station.name)
    log_criteria(opened, criteria, station.name)
    if isinstance(model, Model):
        log_model(opened, model, station.name)
    tools = read_tool_map(station.tools) if station.tools is not None else ()
    return Bench(station, product, criteria, cameras, model, opened, tools, AlertWatch(opened))


def work_on(bench: Bench, folder: Path, names: tuple[str, ...]) -> Outcome:
    """Inspect one set of files and log it; what is wrong with the files or the log comes back in words."""
    try:
        files = bench.cameras.sets_of([folder / name for name in names])[0]
        _refuse_links(files)
        exposures = read_panel(files)
        result = _inspected(bench, files, exposures)
        logged = held_if_image_known(bench.log, rechecked(bench.log, result))
        inspection = log_inspection(bench.log, logged, bench.station.name)
    except LogError as error:
        # A serial the log does not take is the file's fault, everything else the log's.
        came = Came.REFUSED if error.message.code == "log.serial" else Came.LATER
        return Outcome(came, reason=error.message)
    except ElinspectError as error:
        return Outcome(Came.REFUSED, reason=error.message)
    except MemoryError:
        return Outcome(Came.REFUSED, reason=Message("imaging.no_memory", {"file": names[0]}))
    raised = _alerts(bench, inspection)
    return Outcome(Came.INSPECTED, logged.serial, inspection, logged.proposal.disposition, alerts=raised)


def _alerts(bench: Bench, inspection: str) -> tuple[Message, ...]:
    """Return what the panel's flags raise, with a card of each; the panel is logged, so nothing here may stop it."""
    told = []
    try:
        for alert in bench.watch.after(inspection):
            told.append(alert.message)
            if bench.station.cards is not None:
                told.append(Message("alert.card", {"file": str(put_card(alert, bench.station.cards, bench.tools))}))
    except ElinspectError as error:
        told.append(error.message)
    except Exception as error:  # a fault of ours in the figures: the panel is logged all the same
        _log.exception("the lanes of inspection %s could not be looked at", inspection)
        told.append(Message("alert.failed", {"cause": f"{type(error).__name__}: {error}"}))
    return tuple(told)


def _refuse_links(files: PanelFiles) -> None:
    """Companions are found by their names beside the picture: none of them may lead out of the folder either."""
    own = (*files.full_current, *files.low_current, *files.repeat, *files.dark)
    for path in own if files.side is None else (*own, files.side):
        if path.is_symlink():
            raise ImageFileError("station.link", file=path.name)


def _inspected(bench: Bench, files: PanelFiles, exposures: Exposures) -> PanelResult:
    station = bench.station
    agreed = agreed_serial(serials_read(files, exposures, station), station.serial)
    attempt = next_attempt(bench.log, agreed.serial, station.stage, station.purpose)
    occasion = Occasion(agreed.serial, station.stage, station.purpose, attempt, station.customer)
    result = inspect_panel(
        exposures, bench.product, bench.criteria, occasion, cameras=bench.cameras.setups, model=bench.model
    )
    if agreed.serial is None:
        return held(result, agreed.reasons)
    if station.purpose is not Purpose.PRODUCTION:
        return result
    doubts = tuple(_out_of_turn(bench, agreed.serial, result))
    # A doubtful serial never leads to a release: only another picture, or the label, can settle it.
    doubted = replace(result.quality, usable=False, notes=(*result.quality.notes, *doubts))
    return held(replace(result, quality=doubted), doubts) if doubts else result


def _out_of_turn(bench: Bench, serial: str, result: PanelResult) -> list[Message]:
    with bench.log.reading() as connection:
        known = [
            row
            for row in pictures_of(connection, serial)
            if (row.stage, row.purpose) == (bench.station.stage, bench.station.purpose)
        ]
        before = last_at_station(connection, bench.station.name, bench.station.stage, bench.station.purpose)
    if any(row.image_sha256 == result.image.sha256 for row in known):
        return []  # the same picture again, after a restart: it is the same inspection
    found = [repeated(serial, Disposition(known[0].decision) if known and known[0].decision else None)]
    if bench.station.serial.counts_up and not known:
        found.append(out_of_order(serial, before))
    return [reason for reason in found if reason is not None]


def held(result: PanelResult, reasons: tuple[Message, ...]) -> PanelResult:
    """Return a result with hold proposed and why; the log releases no panel without a serial anyway."""
    others = tuple(reason for reason in result.proposal.reasons if reason not in reasons)
    return replace(result, proposal=Proposal(Disposition.HOLD, (*reasons, *others)))


def serials_read(files: PanelFiles, exposures: Exposures, station: StationFile) -> tuple[SerialReading, ...]:
    """Ask every source of a station for the serial; a source that says nothing is left out."""
    found: list[SerialReading] = []
    if SerialSource.FILE_NAME in station.serial.sources:
        name = files.serial if files.serial is not None else files.full_current[0].stem
        found.append(SerialReading(SerialSource.FILE_NAME, name))
    if SerialSource.SIDE_FILE in station.serial.sources and files.side is not None:
        given = _side_serial(files.side)
        if given is not None:
            found.append(SerialReading(SerialSource.SIDE_FILE, given))
    if SerialSource.PICTURE in station.serial.sources:
        codes = codes_in_pictures(exposures, station.serial.pattern)
        # Of several codes (labels of frames, fixtures) those that can be serials count; two of them are a doubt.
        serials = [code for code in codes if re.fullmatch(station.serial.pattern, code)]
        chosen = serials if len(codes) > 1 else codes
        found += [SerialReading(SerialSource.PICTURE, code) for code in chosen]
    return tuple(found)


def _side_serial(path: Path) -> str | None:
    import json
    import tomllib

    try:
        text = path.read_text(encoding="utf-8")
        table: object = tomllib.loads(text) if path.suffix.casefold() == ".toml" else json.loads(text)
    except (OSError, ValueError):
        return None  # read_panel says what is wrong with it
    if not isinstance(table, Mapping):
        return None
    return next((str(table[key]) for key in _SIDE_KEYS if table.get(key) not in (None, "")), None)


def codes_in_pictures(exposures: Exposures, pattern: str) -> tuple[str, ...]:
    """Return what bar codes and matrix codes in the pictures say, each once.

    Labels do not shine: their codes show where light from the cells falls on them, so contrast is stretched first. A
    picture is read coarse first, then finer, until a code was found that can be a serial: at 21.6 MP the finest step
    takes 1.1 s, the coarsest 0.05 s (measured).

    Parameters
    ----------
    exposures : Exposures
        Those at full current are read.
    pattern : str
        Regular expression of a whole serial.
    """
    return tuple(sorted({text for image in exposures.full_current for text in _codes_in(image.counts, pattern)}))


def _codes_in(counts: FloatImage, pattern: str) -> set[str]:
    import zxingcpp

    from elinspect.vision import cv2

    low, high = np.percentile(counts[::4, ::4], (1, 99))
    shares = np.clip((counts - low) / max(float(high - low), 1.0), 0.0, 1.0)
    grey = (255.0 * np.sqrt(shares)).astype(np.uint8)  # the root lifts what is dark, as labels are
    coarsest = max(1, max(grey.shape) // _CODE_SIDE_PX)
    texts: set[str] = set()
    for step in sorted({coarsest, (coarsest + 1) // 2, 1}, reverse=True):
        small = cv2.resize(grey, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA) if step > 1 else grey
        texts |= {found.text for found in zxingcpp.read_barcodes(np.ascontiguousarray(small)) if found.text}
        if any(re.fullmatch(pattern, text) for text in texts):
            break
    return texts
