"""Inspect image files: read, judge, and write what was asked for. One bad file never stops a batch."""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from elinspect.catalogue import Message
from elinspect.classifier import Model
from elinspect.errors import ElinspectError, ImageFileError, told_as
from elinspect.geometry import find_layout
from elinspect.imaging import CameraSet, PanelFiles, read_panel, set_scene
from elinspect.operations.log_inspection import held_if_image_known, log_inspection, next_attempt
from elinspect.operations.rechecking import rechecked
from elinspect.operations.versions import log_criteria, log_model, log_recipe
from elinspect.pipeline import Occasion, image_facts, inspect_panel, unjudged_result, unreadable_result
from elinspect.recipe import AcceptanceCriteria, Product, assumed_product
from elinspect.records import Exposures, FloatImage, ImageQuality, Layout, NoModel, NotFound, PanelResult
from elinspect.reports.annotated import annotate, write_annotated
from elinspect.reports.gap_chart import write_gap_chart
from elinspect.result_file import read_result, write_result
from elinspect.store.log import Log

_NO_PRODUCT = assumed_product(Layout(1, 1, 1))
"""What a result names as sought where nothing was: a picture whose layout was to be told, and could not be."""


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where results go; nothing is written where a field is None.

    Attributes
    ----------
    json_folder : Path or None
        Result files.
    picture_folder : Path or None
        Annotated pictures.
    log : Log or None
        The log.
    station : str
        Name under which this station logs.
    chart_folder : Path or None
        Charts of gaps, of panels whose cell size is known.
    """

    json_folder: Path | None = None
    picture_folder: Path | None = None
    log: Log | None = None
    station: str = "station"
    chart_folder: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Inspected:
    """One file inspected.

    Attributes
    ----------
    path : Path
        The image.
    result : PanelResult
        Also for a file that could not be read: hold, with the reason.
    failure : Message or None
        Why the file could not be read, or the result not written; None if all went well. A panel that was read and
        held is not a failure.
    result_file, picture_file : Path or None
        What was written.
    inspection : str or None
        Id in the log; a file that could not be read is logged too, as held.
    """

    path: Path
    result: PanelResult
    failure: Message | None = None
    result_file: Path | None = None
    picture_file: Path | None = None
    inspection: str | None = None


def inspect_files(
    paths: Iterable[Path],
    product: Product | None,
    criteria: AcceptanceCriteria,
    occasion: Occasion,
    outputs: Outputs,
    model: Model | NoModel | None = None,
    cameras: CameraSet | None = None,
) -> Iterator[Inspected]:
    """Inspect files one after the other.

    Parameters
    ----------
    paths : iterable of Path
        Images, one panel each; with a naming rule any files of the panels.
    product : Product or None
        What the panels are; None to tell layout, cut and busbars from each picture.
    criteria : AcceptanceCriteria
        The limits.
    occasion : Occasion
        Serial, stage, purpose of all of them; with a log, the log counts the attempt. Without a serial the one in the
        file's name counts, if a naming rule says where.
    outputs : Outputs
        What to write.
    model : Model or NoModel, optional
        The classifier, or why there is none.
    cameras : CameraSet, optional
        What is known about cameras and file names.

    Yields
    ------
    Inspected
        One per panel, in order, as soon as it is done.

    Raises
    ------
    ElinspectError
        If an output folder cannot be made, or the log knows another recipe or other criteria under the same name and
        version.
    """
    for folder in (outputs.json_folder, outputs.picture_folder, outputs.chart_folder):
        if folder is not None:
            _make_folder(folder)
    if outputs.log is not None:
        if product is not None:
            log_recipe(outputs.log, product.recipe, outputs.station)
        log_criteria(outputs.log, criteria, outputs.station)
        if isinstance(model, Model):
            log_model(outputs.log, model, outputs.station)
    taken: set[Path] = set()
    cameras = cameras or CameraSet()
    for files in cameras.sets_of(paths):
        known = replace(occasion, serial=occasion.serial or files.serial)
        yield _inspect_set(files, product, criteria, known, outputs, cameras, taken, model)


def _inspect_set(
    files: PanelFiles,
    product: Product | None,
    criteria: AcceptanceCriteria,
    occasion: Occasion,
    outputs: Outputs,
    cameras: CameraSet,
    taken: set[Path],
    model: Model | NoModel | None,
) -> Inspected:
    path = files.full_current[0]
    pictures: tuple[FloatImage, ...] = ()
    failure: Message | None = None
    try:
        if outputs.log is not None:
            attempt = next_attempt(outputs.log, occasion.serial, occasion.stage, occasion.purpose)
            occasion = replace(occasion, attempt=attempt)
        exposures = read_panel(files)
        if product is None:
            result = _told_from_picture(exposures, criteria, occasion, outputs, cameras, model)
        else:
            result = inspect_panel(exposures, product, criteria, occasion, cameras=cameras.setups, model=model)
        pictures = tuple(tile.counts for tile in exposures.full_current)
    except ImageFileError as error:
        failure = error.message
        result = unreadable_result(path, error, product or _NO_PRODUCT, criteria, occasion)
    try:
        return replace(_written(path, result, pictures, outputs, taken), failure=failure)
    except ElinspectError as error:
        return Inspected(path, result, failure or error.message)


def _told_from_picture(
    exposures: Exposures,
    criteria: AcceptanceCriteria,
    occasion: Occasion,
    outputs: Outputs,
    cameras: CameraSet,
    model: Model | NoModel | None,
) -> PanelResult:
    """Inspect a panel whose layout the picture alone tells; what it told stands in the quality's notes."""
    seen = find_layout(set_scene(exposures, cameras.setups).located)
    if isinstance(seen, NotFound):
        quality = ImageQuality(usable=False, notes=(seen.reason,))
        return unjudged_result(image_facts(exposures), seen.reason, _NO_PRODUCT, criteria, occasion, quality)
    product = assumed_product(seen.layout, seen.cut, seen.busbars)
    if outputs.log is not None:
        log_recipe(outputs.log, product.recipe, outputs.station)
    result = inspect_panel(exposures, product, criteria, occasion, cameras=cameras.setups, model=model)
    told = {"layout": str(seen.layout), "busbars": seen.busbars, "percent": 100 * seen.confidence}
    note = Message(f"quality.layout_seen.cut_{seen.cut}", told)
    return replace(result, quality=replace(result.quality, notes=(note, *result.quality.notes)))


def _written(
    path: Path,
    result: PanelResult,
    pictures: tuple[FloatImage, ...],
    outputs: Outputs,
    taken: set[Path],
) -> Inspected:
    result_file = picture_file = inspection = None
    if outputs.log is not None:
        result = held_if_image_known(outputs.log, rechecked(outputs.log, result))
        inspection = log_inspection(outputs.log, result, outputs.station)
    if outputs.json_folder is not None:
        result_file = _free_name(outputs.json_folder, path, taken)
        _write(result_file, result)
    if outputs.picture_folder is not None:
        for tile, counts in reversed(tuple(enumerate(pictures))):
            picture_file = _picture_name(outputs.picture_folder, result, tile)
            write_annotated(picture_file, annotate(counts, _shown_by(result, tile)))
    if outputs.chart_folder is not None and result.measures is not None:
        write_gap_chart(_picture_name(outputs.chart_folder, result, what="gaps"), result)
    return Inspected(path, result, None, result_file, picture_file, inspection)


def _make_folder(folder: Path) -> None:
    with told_as("command.no_folder", folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)


def _write(path: Path, result: PanelResult) -> None:
    with told_as("command.not_written", file=str(path)):
        write_result(path, result)


def _free_name(folder: Path, image: Path, taken: set[Path]) -> Path:
    """Return the name for a result file: the image's stem, with a number where another image has that name already.

    A result of the same image path is replaced; one of another image, or a file that is no result, never is.
    """
    numbered = (folder / f"{image.stem}-{number}.json" for number in itertools.count(2))
    for name in itertools.chain([folder / f"{image.stem}.json"], numbered):
        if name not in taken and (not name.exists() or _belongs_to(name, image)):
            taken.add(name)
            return name
    raise AssertionError("names never run out")


def _belongs_to(result_file: Path, image: Path) -> bool:
    try:
        return Path(read_result(result_file).image.path).absolute() == image.absolute()
    except (OSError, ValueError, KeyError, TypeError, ElinspectError):
        return False


def _picture_name(folder: Path, result: PanelResult, tile: int = 0, what: str = "annotated") -> Path:
    """Return the name for a picture of a panel: with the start of the image's hash, so that images never share one."""
    assert result.image.sha256 is not None
    stem = Path(result.image.path if tile == 0 else result.image.tiles[tile - 1]).stem
    return folder / f"{stem}.{result.image.sha256[:8]}.{what}.png"


def _shown_by(result: PanelResult, tile: int) -> PanelResult:
    """Return the result with only those cells and flags that lie in one of its files."""
    return replace(
        result,
        cells=tuple(cell for cell in result.cells if cell.tile == tile),
        flags=tuple(flag for flag in result.flags if flag.tile == tile),
    )
