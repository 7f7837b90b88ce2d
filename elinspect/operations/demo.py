"""The demo: a small invented plant, simulated, inspected and logged in one folder, purpose `demo` throughout."""

import itertools
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from elinspect.errors import ElinspectError, told_as
from elinspect.operations.context import import_context
from elinspect.operations.figure_files import write_pareto
from elinspect.operations.inspecting import Inspected, Outputs, inspect_files
from elinspect.operations.pareto import ParetoTable, pareto
from elinspect.operations.site_models import open_model
from elinspect.pipeline import Occasion
from elinspect.recipe import Product, default_criteria
from elinspect.records import Purpose
from elinspect.statistics.pareto import CountOf, GroupBy
from elinspect.store.log import open_log
from elinspect.synthetic import demo_panels, write_context_csv, write_panel

STATION = "demo"


@dataclass(frozen=True, slots=True)
class DemoPlaces:
    """Where the demo keeps its things.

    Attributes
    ----------
    folder : Path
        Holds all the others.
    images : Path
        Simulated exposures with their truth.
    pictures : Path
        Annotated pictures.
    results : Path
        Result files.
    log : Path
        The log.
    pareto : Path
        The Pareto as CSV.
    """

    folder: Path
    images: Path
    pictures: Path
    results: Path
    log: Path
    pareto: Path


def make_places(folder: Path | None) -> DemoPlaces:
    """Make the demo's folders; a temporary folder if none is given.

    Raises
    ------
    ElinspectError
        If the folder cannot be made, or holds a log already: a demo never writes into an older one.
    """
    with told_as("command.no_folder", folder=str(folder)):
        root = Path(tempfile.mkdtemp(prefix="elinspect-demo-")) if folder is None else folder.absolute()
        images = root / "images"
        images.mkdir(parents=True, exist_ok=True)
    log = root / "log.sqlite"
    if log.exists():
        raise ElinspectError("command.demo_folder_used", folder=str(root))
    return DemoPlaces(root, images, root / "annotated", root / "results", log, root / "pareto.csv")


def run_demo(places: DemoPlaces, panels: int, seed: int) -> Iterator[Inspected]:
    """Simulate, inspect and log the demo's panels, one after the other, each with its production context.

    Parameters
    ----------
    places : DemoPlaces
        From `make_places`.
    panels : int
        How many panels.
    seed : int
        Seed of the plant.

    Yields
    ------
    Inspected
        One per panel, as soon as it is in the log.
    """
    criteria, model = default_criteria(), open_model(None)
    with open_log(places.log) as log:
        outputs = Outputs(places.results, places.pictures, log, STATION)
        for made in itertools.islice(demo_panels(seed), panels):
            image = write_panel(places.images, made.serial, made.panel)
            context = write_context_csv(places.images / f"{made.serial}.context.csv", made.context)
            import_context(log, context)
            occasion = Occasion(made.serial, purpose=Purpose.DEMO)
            yield from inspect_files([image], Product(made.recipe), criteria, occasion, outputs, model)


def demo_pareto(places: DemoPlaces, by: GroupBy) -> ParetoTable:
    """Return the Pareto of what the machine proposed in the demo; nobody has confirmed anything yet."""
    with open_log(places.log) as log:
        return pareto(log, by, Purpose.DEMO, count=CountOf.PROPOSED)


def write_demo_pareto(places: DemoPlaces) -> None:
    """Write the demo's Pareto per kind."""
    write_pareto(demo_pareto(places, GroupBy.KIND), places.pareto)


def run_demo_to_its_end(places: DemoPlaces, panels: int, seed: int) -> None:
    """Run the demo in a process of its own, beside the window."""
    for _ in run_demo(places, panels, seed):
        pass
