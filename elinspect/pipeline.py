"""One panel from exposures to a result: the only place where the stages meet."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from elinspect import __version__
from elinspect.catalogue import Message
from elinspect.circuit import circuit_facts
from elinspect.classifier import Model, score
from elinspect.detectors import contact_notes, detect_all, kind_scores, prepare
from elinspect.electrical import (
    LossModel,
    flag_loss,
    loss_model,
    panel_loss,
    panel_voltages,
    relative_voltages,
    temperature_of,
)
from elinspect.errors import ImageFileError
from elinspect.frames import address_of, clockwise_from_top_left, stored_corner
from elinspect.geometry import (
    FoundGrid,
    cut_cells,
    find_panel,
    fingerprints_of,
    found_grid,
    measured,
    ribbon_lines,
    to_file_px,
)
from elinspect.imaging import Scene, TileSetup, assess, blank_reason, set_scene
from elinspect.recipe import AcceptanceCriteria, Product, ProductRecipe, write_address
from elinspect.records import (
    CellGrid,
    CellResult,
    Detection,
    ExposureConditions,
    ExposureFile,
    ExposureRole,
    Exposures,
    ImageFacts,
    ImageQuality,
    Kind,
    NoModel,
    NotFound,
    PanelFacts,
    PanelResult,
    PanelView,
    Points,
    Purpose,
    Stage,
    Unjudged,
    Versions,
)
from elinspect.settings import CircuitSettings, DetectorSettings, GeometrySettings
from elinspect.triage import NONE_DOUBTFUL, flags_from, judged, not_judgeable, plan_rework, propose, that_count

_Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Occasion:
    """What the caller knows about an inspection beside the picture; for the customer the criteria may differ."""

    serial: str | None = None
    stage: Stage = Stage.BEFORE_LAMINATION
    purpose: Purpose = Purpose.ENGINEERING
    attempt: int = 1
    customer: str | None = None


@dataclass(frozen=True, slots=True)
class InspectionSettings:
    """Settings of all stages."""

    geometry: GeometrySettings = field(default_factory=GeometrySettings)
    detectors: DetectorSettings = field(default_factory=DetectorSettings)


_NAMED = 12
"""So many cells are named where several were not judged; a result file names all."""


class _Clock:
    """Seconds per stage, for the result's ``timing_s``."""

    def __init__(self) -> None:
        self._laps: dict[str, float] = {}
        self._start = self._last = time.perf_counter()

    def lap(self, stage: str) -> None:
        now = time.perf_counter()
        self._laps[stage] = now - self._last
        self._last = now

    def read(self) -> Mapping[str, float]:
        return {**self._laps, "total": time.perf_counter() - self._start}


def inspect_panel(
    exposures: Exposures,
    product: Product,
    criteria: AcceptanceCriteria,
    occasion: Occasion | None = None,
    settings: InspectionSettings | None = None,
    cameras: Sequence[TileSetup] = (),
    model: Model | NoModel | None = None,
) -> PanelResult:
    """Inspect one panel.

    Parameters
    ----------
    exposures : Exposures
        The panel's pictures, as read.
    product : Product
        What the panel is.
    criteria : AcceptanceCriteria
        The plant's limits.
    occasion : Occasion, optional
        Serial, stage, purpose, attempt.
    settings : InspectionSettings, optional
        Settings of geometry and detectors.
    cameras : sequence of TileSetup, optional
        What is known about the camera of each tile.
    model : Model or NoModel, optional
        The classifier, or why there is none.

    Returns
    -------
    PanelResult
        With disposition ``hold`` and the reason in words where the panel was not found or the image is not usable.

    Raises
    ------
    ImageFileError
        If a camera file belongs to pictures of another size.
    """
    occasion = occasion or Occasion(serial=exposures.serial)
    settings = settings or InspectionSettings()
    model = model or NoModel(Message("model.not_asked"))
    recipe = product.recipe
    criteria = criteria.in_force(recipe.name, recipe.cell.technology, occasion.customer)
    clock = _Clock()
    scene = set_scene(exposures, cameras, product.recipe.camera.masks)
    clock.lap("correction")
    found = _locate(scene, product)
    clock.lap("geometry")
    if isinstance(found, NotFound):
        quality = _noting_assumptions(assess(exposures, scene.tiles, None, criteria.quality), product)
        quality = replace(quality, notes=(*quality.notes, *_no_current(exposures, product), *exposures.notes))
        held = unjudged_result(image_facts(exposures), found.reason, product, criteria, occasion, quality)
        return replace(held, versions=versions_of(product, criteria, cameras), timing_s=clock.read())
    grid = scene.straight_grid(found.grid)

    pictures = cut_cells(scene.tiles, grid, product, settings.geometry)
    clock.lap("cells")
    ribbons = ribbon_lines(pictures, product)
    measures = measured(found, ribbons, product)
    clock.lap("measures")
    quality = assess(exposures, scene.tiles, pictures, criteria.quality)
    clock.lap("quality")
    view = prepare(pictures, product, conditions=exposures.conditions, measures=measures)
    clock.lap("maps")
    detections = detect_all(view, settings.detectors)
    clock.lap("detectors")
    prints = fingerprints_of(view)
    clock.lap("fingerprints")
    defect_scores, detections = _scored(model, view, detections)
    clock.lap("classifier")

    def to_file(cell: int, points: Points) -> Points:
        return to_file_px(pictures, cell, points)

    marks = flags_from(
        detections,
        to_file,
        recipe,
        criteria,
        scale_known=product.scale_known,
        tiles=pictures.tile.tolist(),
        doubtful_below=_doubtful_below(model),
    )
    contact = contact_notes(view, settings.detectors.probe_contact, _middle_px(exposures))
    quality = replace(quality, notes=(*found.notes, *contact, *quality.notes, *_mask_notes(scene), *exposures.notes))
    costs = loss_model(recipe)
    loss = None
    if isinstance(costs, LossModel):
        loss = panel_loss(that_count([each.flag for each in marks], criteria), costs)
        marks = tuple(replace(each, flag=replace(each.flag, loss_w=flag_loss(each.flag, costs))) for each in marks)
    elif costs.code != "loss.no_data":
        quality = replace(quality, notes=(*quality.notes, costs))
    clock.lap("electrical")
    flags = judged(marks, criteria, loss)
    quality = _noting_assumptions(_noting_unjudged(quality, view, recipe, criteria), product)
    quality = _noting_no_model(quality, model)
    quality = _noting_busbars(quality, ribbons.count, product)
    quality = _noting_kinds(quality, detections, criteria)
    proposal = propose(flags, quality, None, recipe, criteria, loss)
    clock.lap("triage")
    return PanelResult(
        serial=occasion.serial,
        stage=occasion.stage,
        purpose=occasion.purpose,
        attempt=occasion.attempt,
        image=image_facts(exposures),
        versions=versions_of(product, criteria, cameras, model),
        quality=quality,
        panel=_panel_found(grid, scene.panel_corners_in_file(grid.panel_corners_px), product),
        cells=_cells(view, detections, defect_scores, recipe, exposures.conditions, settings.detectors),
        flags=flags,
        proposal=proposal,
        timing_s=clock.read(),
        fingerprints=prints,
        measures=measures if product.scale_known else None,
        customer=occasion.customer,
        loss=loss,
        rework=plan_rework(flags, proposal, recipe, criteria, occasion.attempt),
    )


def unreadable_result(
    path: Path, error: ImageFileError, product: Product, criteria: AcceptanceCriteria, occasion: Occasion
) -> PanelResult:
    """Return the result of a file that could not be read: hold, with the reason in words."""
    quality = ImageQuality(usable=False, notes=(error.message,))
    return unjudged_result(ImageFacts(str(path), None), error.message, product, criteria, occasion, quality)


def unjudged_result(
    image: ImageFacts,
    reason: Message,
    product: Product,
    criteria: AcceptanceCriteria,
    occasion: Occasion,
    quality: ImageQuality,
) -> PanelResult:
    """Return the result of a panel that could not be judged: hold, no cells, the reason in words."""
    criteria = criteria.in_force(product.recipe.name, product.recipe.cell.technology, occasion.customer)
    proposal = propose((), quality, NotFound(reason), product.recipe, criteria)
    return PanelResult(
        serial=occasion.serial,
        stage=occasion.stage,
        purpose=occasion.purpose,
        attempt=occasion.attempt,
        image=image,
        versions=versions_of(product, criteria),
        quality=quality,
        panel=PanelFacts(False, reason, product.recipe.layout),
        cells=(),
        flags=(),
        proposal=proposal,
        timing_s={"total": 0.0},
        customer=occasion.customer,
        rework=plan_rework((), proposal, product.recipe, criteria, occasion.attempt),
    )


def versions_of(
    product: Product,
    criteria: AcceptanceCriteria,
    cameras: Sequence[TileSetup] = (),
    model: Model | NoModel | None = None,
) -> Versions:
    """Return the versions in force; a panel that was never judged was scored by no model."""
    labels = [setup.camera.label for setup in cameras if setup.camera is not None]
    scored_by = model.card.label if isinstance(model, Model) else None
    return Versions(__version__, product.recipe.label, criteria.label, scored_by, camera="; ".join(labels) or None)


def image_facts(exposures: Exposures) -> ImageFacts:
    """Return the exposure set as the result file names it."""
    first, *further = exposures.full_current
    others = (*exposures.low_current, *exposures.repeat, *exposures.dark)
    sets = {
        ExposureRole.FULL_CURRENT: exposures.full_current,
        ExposureRole.LOW_CURRENT: exposures.low_current,
        ExposureRole.REPEAT: exposures.repeat,
        ExposureRole.DARK: exposures.dark,
    }
    return ImageFacts(
        str(first.path),
        first.sha256,
        first.width_px,
        first.height_px,
        first.bit_depth,
        tiles=tuple(str(tile.path) for tile in further),
        companions=tuple(str(other.path) for other in others),
        files=tuple(ExposureFile(str(one.path), one.sha256, role) for role, images in sets.items() for one in images),
    )


def _locate(scene: Scene, product: Product) -> FoundGrid | NotFound:
    blank = blank_reason(scene.tiles[0].full_current) if len(scene.tiles) == 1 else None
    if blank is not None:
        return NotFound(blank)
    outline = find_panel(scene.located, product)
    return outline if isinstance(outline, NotFound) else found_grid(scene.located, outline, product)


def _middle_px(exposures: Exposures) -> tuple[float, float] | None:
    """Return the middle of the picture; tiles have one each, and none that counts for the panel."""
    first = exposures.full_current[0]
    return ((first.width_px - 1) / 2, (first.height_px - 1) / 2) if len(exposures.full_current) == 1 else None


def _scored(
    model: Model | NoModel, view: PanelView, detections: tuple[Detection, ...]
) -> tuple[NDArray[np.float32] | None, tuple[Detection, ...]]:
    if isinstance(model, NoModel):
        return None, detections
    scored = score(model, view, detections)
    return scored.defect_scores, scored.detections


def _doubtful_below(model: Model | NoModel) -> Mapping[Kind, float]:
    return model.card.doubtful_below if isinstance(model, Model) else NONE_DOUBTFUL


def _noting_kinds(quality: ImageQuality, detections: Sequence[Detection], criteria: AcceptanceCriteria) -> ImageQuality:
    """Say which kinds were not judged: no flag of theirs says nothing."""
    never = not_judgeable(criteria)
    unseen = tuple(item.kind for item in detections if not item.seen and item.kind not in never)
    notes = tuple(
        Message(code, {"kinds": ",".join(kinds)})
        for code, kinds in (("quality.kinds_not_judgeable", never), ("quality.kinds_not_seen", unseen))
        if kinds
    )
    return replace(quality, notes=(*quality.notes, *notes))


def _noting_no_model(quality: ImageQuality, model: Model | NoModel) -> ImageQuality:
    if isinstance(model, Model):
        return quality
    note = Message("quality.no_classifier", {"reason": model.reason.text})
    return replace(quality, notes=(*quality.notes, note))


def _noting_unjudged(
    quality: ImageQuality, view: PanelView, recipe: ProductRecipe, criteria: AcceptanceCriteria
) -> ImageQuality:
    """Name the cells that were not judged, and why; too many of them, and the image is not usable."""
    limit, n = criteria.quality.max_unjudged_cells, len(view.unjudged)
    notes = [Message("quality.unjudged_cells", {"n": n, "limit": limit})] if n > limit else []
    for why in Unjudged:
        cells = [address_of(recipe.layout, cell) for cell in sorted(view.unjudged) if view.unjudged[cell] is why]
        if cells:
            named = ", ".join(write_address(recipe.addresses, cell.string, cell.position) for cell in cells[:_NAMED])
            more = len(cells) - _NAMED
            code = f"quality.unjudged.{why}" + ("_and_more" if more > 0 else "")
            notes.append(Message(code, {"cells": named, "more": more} if more > 0 else {"cells": named}))
    return replace(quality, usable=quality.usable and n <= limit, notes=(*quality.notes, *notes))


def _noting_busbars(quality: ImageQuality, seen: int | None, product: Product) -> ImageQuality:
    given = product.recipe.cell.busbars
    if seen is None or seen == given or not product.scale_known:
        return quality
    return replace(quality, notes=(*quality.notes, Message("quality.other_busbars", {"given": given, "seen": seen})))


def _no_current(exposures: Exposures, product: Product) -> tuple[Message, ...]:
    share = circuit_facts(product, exposures.conditions).current_share
    if share is None or share >= CircuitSettings().least_current:
        return ()
    return (Message("quality.no_current", {"current_a": exposures.conditions.current_a}),)


def _mask_notes(scene: Scene) -> tuple[Message, ...]:
    masks = sum(len(tile.masks) for tile in scene.tiles)
    return (Message("quality.mask_filled", {"n": masks}),) if masks else ()


def _noting_assumptions(quality: ImageQuality, product: Product) -> ImageQuality:
    if product.scale_known:
        return quality
    cell = product.recipe.cell
    note = Message("quality.assumed_size", {"along_mm": cell.along_mm, "across_mm": cell.across_mm})
    return replace(quality, mm_per_px=None, notes=(*quality.notes, note))


def _panel_found(grid: CellGrid, corners_px: Points, product: Product) -> PanelFacts:
    return PanelFacts(
        found=True,
        reason=None,
        layout=grid.layout,
        view_side=product.recipe.camera.view_side,
        origin_corner=stored_corner(grid.orientation, product.recipe.addresses.origin_corner),
        mirrored=grid.orientation.mirrored,
        rotation_deg=grid.orientation.rotation_deg,
        corners_px=_corner_tuple(corners_px),
        addresses=product.recipe.addresses,
    )


def _cells(
    view: PanelView,
    detections: tuple[Detection, ...],
    defect_scores: NDArray[np.float32] | None,
    recipe: ProductRecipe,
    conditions: ExposureConditions,
    settings: DetectorSettings,
) -> tuple[CellResult, ...]:
    grid = view.pictures.grid
    relative = np.where(view.judged, view.relative_luminance, np.nan)
    differences = relative_voltages(relative, temperature_c=temperature_of(conditions))
    voltages = panel_voltages(np.where(view.judged, view.own_light, np.nan), recipe, conditions)
    corners = clockwise_from_top_left(view.pictures.corners_in_files())
    scores = {item.kind.value: kind_scores(item, settings.threshold_of(item.kind)) for item in detections}
    return tuple(
        CellResult(
            address=address_of(grid.layout, index),
            corners_px=_corner_tuple(corners[index]),
            relative_luminance=float(view.relative_luminance[index]),
            kind_scores={kind: float(of_cells[index]) for kind, of_cells in scores.items()},
            defect_score=None if defect_scores is None else float(defect_scores[index]),
            judged=bool(view.judged[index]),
            unjudged=view.unjudged.get(index),
            tile=int(view.pictures.tile[index]),
            voltage_difference_mv=_finite(1000 * differences[index]),
            voltage_v=_finite(voltages[index]),
        )
        for index in range(grid.layout.n_cells)
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _corner_tuple(corners: Points) -> _Corners:
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)
