"""A small invented plant: two stringers of two lanes, and one lane that has begun to crack cells at one place."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

import numpy as np

from elinspect.frames import LanePlace, cell_place, position_as_built
from elinspect.recipe import ProductRecipe
from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.chance import DefectRates, draw_crack_at, draw_defects
from elinspect.synthetic.context_csv import StringContext
from elinspect.synthetic.defects import Crack, DarkCell, Defect, InactiveArea
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel, turned_strings
from elinspect.synthetic.plane import cell_corners_mm
from elinspect.synthetic.products import PRODUCTS, product_recipe

_FIRST_SHIFT = datetime(2031, 3, 4, 6, 0, tzinfo=timezone(timedelta(hours=1)))
_TAKT = timedelta(seconds=45)
_SUPPLIERS = ("Ostervane", "Kelmarrow", "Tindrell")
_CLASSES = ("22.1", "22.2", "22.3")
_OPERATORS = ("op-03", "op-07", "op-11", "op-16")


@dataclass(frozen=True, slots=True)
class LaneCause:
    """A machine fault: one lane presses into cells at one place.

    Attributes
    ----------
    stringer, lane : str
        Where.
    position : int
        Which cell, counted from the leading end (string-as-built frame); the last of a shorter string.
    place : LanePlace
        Where in that cell, as the lane sees it.
    rate : float
        Probability for each string of the lane.
    """

    stringer: str = "B"
    lane: str = "2"
    position: int = 3
    place: LanePlace = field(default_factory=lambda: LanePlace(along=0.25, across=0.7))
    rate: float = 0.6

    def __post_init__(self) -> None:
        if self.position < 1:
            raise ValueError(f"position must be 1 or more, not {self.position}")
        if not 0 <= self.rate <= 1:
            raise ValueError(f"rate must lie in 0..1, not {self.rate}")


@dataclass(frozen=True, slots=True)
class Plant:
    """What the plant makes, and how well.

    Attributes
    ----------
    recipes : tuple of ProductRecipe
        Products, made in turn.
    rates : DefectRates
        Defects that have no cause in a lane.
    cause : LaneCause or None
        The fault; None in a sound plant.
    megapixels : float
        Size of the pictures.
    """

    recipes: tuple[ProductRecipe, ...]
    rates: DefectRates = field(default_factory=DefectRates)
    cause: LaneCause | None = field(default_factory=LaneCause)
    megapixels: float = 8.0

    def __post_init__(self) -> None:
        if not self.recipes:
            raise ValueError("recipes must hold at least one product")
        if not 0.05 <= self.megapixels <= 100:
            raise ValueError(f"megapixels must lie in 0.05..100, not {self.megapixels}")


@dataclass(frozen=True, slots=True, eq=False)
class PlantPanel:
    """One panel of the plant.

    Attributes
    ----------
    serial : str
        Opaque, with leading zeros.
    recipe : ProductRecipe
        The product.
    panel : SimulatedPanel
        Picture and truth.
    context : tuple of StringContext
        One row for each string.
    """

    serial: str
    recipe: ProductRecipe
    panel: SimulatedPanel
    context: tuple[StringContext, ...]


def simulate_plant(plant: Plant, seed: int, first: int = 0) -> Iterator[PlantPanel]:
    """Let the plant run; panels come one by one, without end.

    Parameters
    ----------
    plant : Plant
        What it makes.
    seed : int
        The same seed gives the same panels, the n-th independent of how many are asked for.
    first : int
        Number (from 0) of the first panel to make.

    Yields
    ------
    PlantPanel
        Panels in the order in which they are laid up.
    """
    for number in itertools.count(first):
        rng = np.random.default_rng([seed, number])
        recipe = plant.recipes[number % len(plant.recipes)]
        context, defects = draw_production(plant, seed, number, rng)
        depth = int(rng.choice([8, 12, 12, 16]))
        camera = draw_camera(rng, _px_per_mm(recipe, plant.megapixels), depth)
        panel = simulate_panel(recipe, rng, defects, camera)
        yield PlantPanel(context[0].panel_serial, recipe, panel, context)


def draw_production(
    plant: Plant, seed: int, number: int, rng: np.random.Generator
) -> tuple[tuple[StringContext, ...], tuple[Defect, ...]]:
    """Draw how the plant's n-th panel (from 0) was made and what went wrong, without taking its picture."""
    recipe = plant.recipes[number % len(plant.recipes)]
    context = _context(recipe, seed, number, rng)
    return context, draw_defects(recipe, rng, plant.rates) + _caused(plant.cause, recipe, context, rng)


def demo_plant() -> Plant:
    """Return the demo's plant: mono, multi and half-cut panels in turn, about 7 MP each."""
    rates = DefectRates(crack=0.008, inactive_area=0.004, finger_interruption=0.02, dark_cell=0.002, dark_string=0.002)
    return Plant(tuple(product_recipe(name) for name in PRODUCTS), rates, megapixels=7.0)


def demo_panels(seed: int) -> Iterator[PlantPanel]:
    """Return the demo's panels, without end; the first has something to rework, so that there is something to see."""
    plant, first = demo_plant(), 0
    while not any(
        isinstance(defect, Crack | InactiveArea | DarkCell)
        for defect in draw_production(plant, seed, first, np.random.default_rng([seed, first]))[1]
    ):
        first += 1
    return simulate_plant(plant, seed, first)


def _px_per_mm(recipe: ProductRecipe, megapixels: float) -> float:
    along, across = cell_corners_mm(recipe).reshape(-1, 2).max(axis=0)
    around = 80.0  # the usual margin on both sides
    return float(np.sqrt(megapixels * 1e6 / ((along + around) * (across + around))))


def _serial(seed: int, number: int) -> str:
    return f"00{(seed * 7_919_123 + 48_213_907 + 13 * number) % 10**10:010d}"


def _context(recipe: ProductRecipe, seed: int, number: int, rng: np.random.Generator) -> tuple[StringContext, ...]:
    laid_up = _FIRST_SHIFT + number * _TAKT
    # Lots come and go, whatever the panel.
    of_lot = np.random.default_rng([seed, number // 6, 1])
    lots = [f"CL-{int(of_lot.integers(10_000)):04d}" for _ in range(2)]
    suppliers = [_SUPPLIERS[int(of_lot.integers(len(_SUPPLIERS)))] for _ in lots]
    classes = [_CLASSES[int(of_lot.integers(len(_CLASSES)))] for _ in lots]
    ribbons = {stringer: f"RB-{(seed * 31 + ord(stringer) + number // 9) % 1000:03d}" for stringer in "AB"}
    operators = {stringer: _OPERATORS[int(of_lot.integers(len(_OPERATORS)))] for stringer in "AB"}
    bussing = f"bussing-{int(rng.integers(1, 3))}"
    rows = []
    for index, turned in enumerate(turned_strings(recipe)):
        # Strings reach the lay-up from whichever lane has one ready.
        stringer, lane = "AB"[int(rng.integers(2))], "12"[int(rng.integers(2))]
        built = laid_up - timedelta(seconds=int(rng.integers(240, 900)))
        lot = int(rng.integers(len(lots)))
        rows.append(
            StringContext(
                panel_serial=_serial(seed, number),
                string=index + 1,
                string_id=f"{stringer}{lane}-{number:05d}-{index + 1:02d}",
                stringer=stringer,
                lane=lane,
                turned=turned,
                built_at=built.isoformat(),
                cell_lot=lots[lot],
                cell_supplier=suppliers[lot],
                cell_class=classes[lot],
                ribbon_lot=ribbons[stringer],
                operator=operators[stringer],
                layup_machine="layup-1",
                bussing_machine=bussing,
                el_station="el-1",
            )
        )
    return tuple(rows)


def _caused(
    cause: LaneCause | None, recipe: ProductRecipe, context: tuple[StringContext, ...], rng: np.random.Generator
) -> tuple[Crack, ...]:
    if cause is None:
        return ()
    cracks = []
    as_built = min(cause.position, recipe.layout.cells_per_string)
    for row in context:
        if (row.stringer, row.lane) == (cause.stringer, cause.lane) and rng.random() < cause.rate:
            position = position_as_built(recipe.layout, as_built, row.turned)
            place = cell_place(cause.place, row.turned, recipe.camera.view_side, recipe.addresses.origin_corner)
            cracks.append(draw_crack_at(recipe.cell, rng, row.string, position, place))
    return tuple(cracks)
