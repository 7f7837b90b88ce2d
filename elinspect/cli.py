"""The command line: wiring only. Heavy rooms are imported inside the commands, so that `--help` answers at once."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from elinspect import __version__, cli_ticket, cli_what_if
from elinspect.catalogue import words
from elinspect.cli_camera import camera_app
from elinspect.cli_console import (
    LayoutOption,
    LogOption,
    RecipeOption,
    err,
    in_words,
    log_place,
    out,
    product_of,
    progress_bar,
)
from elinspect.cli_figures import figures_app, show_pareto, simulate_plant
from elinspect.cli_log import context_app, flash_app, log_app, maintenance_app
from elinspect.cli_model import model_app
from elinspect.cli_people import people_app
from elinspect.cli_second_readings import audit, readings_app
from elinspect.cli_station import station_app
from elinspect.errors import DisplayError
from elinspect.records import Purpose, Stage
from elinspect.review.gate import Role
from elinspect.statistics.pareto import GroupBy

if TYPE_CHECKING:
    from elinspect.operations.demo import DemoPlaces
    from elinspect.operations.inspecting import Inspected
    from elinspect.recipe import AcceptanceCriteria
    from elinspect.station.station_file import StationFile
    from elinspect.store.log import Log

STATION = "station"
"""Name under which this machine logs until a station file names it."""

AUTO = "auto"
"""Given for a layout: tell it from the picture."""

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Inspect electroluminescence images of laid-up solar panels: grid, flags, proposal, review, log, Pareto.",
)
app.add_typer(context_app, name="context")
app.add_typer(maintenance_app, name="maintenance")
app.add_typer(flash_app, name="flash")
app.add_typer(log_app, name="log")
app.add_typer(model_app, name="model")
app.add_typer(people_app, name="people")
app.add_typer(station_app, name="station")
app.add_typer(readings_app, name="second-readings")
app.command()(audit)
app.add_typer(figures_app)
app.add_typer(camera_app, name="camera")


LayoutOrAutoOption = Annotated[
    str | None,
    typer.Option(
        "--layout", help="Layout instead of a recipe: 6x10, 2x6x12, 1x1; auto tells it from each picture.", metavar="L"
    ),
]
CriteriaOption = Annotated[Path | None, typer.Option(help="Acceptance criteria (TOML); the shipped ones if left out.")]
ModelOption = Annotated[
    str | None, typer.Option(help="Card of a classifier, or 'none'; the shipped one if left out.", metavar="FILE|none")
]


class Bits(StrEnum):
    """Bit depths of simulated cameras."""

    EIGHT = "8"
    TWELVE = "12"
    SIXTEEN = "16"


app.command()(cli_ticket.ticket)
app.command()(cli_ticket.bench)
app.command("what-if")(cli_what_if.what_if)


def main() -> None:
    """Run the command line."""
    app()


def _version(asked: bool) -> None:
    if asked:
        out.print(f"elinspect {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    del version


def _limits(criteria: Path | None) -> "AcceptanceCriteria":
    from elinspect.recipe import default_criteria, read_criteria

    return read_criteria(criteria) if criteria is not None else default_criteria()


@app.command()
@in_words
def inspect(
    images: Annotated[list[Path], typer.Argument(help="Image files, one panel each.", metavar="IMAGES...")],
    recipe: RecipeOption = None,
    layout: LayoutOrAutoOption = None,
    criteria: CriteriaOption = None,
    serial: Annotated[str | None, typer.Option(help="Serial of the panel; for one image only.")] = None,
    stage: Annotated[Stage, typer.Option(help="Where in the making the picture was taken.")] = Stage.BEFORE_LAMINATION,
    purpose: Annotated[Purpose, typer.Option(help="Why it was taken.")] = Purpose.ENGINEERING,
    customer: Annotated[
        str | None, typer.Option(help="For whom the panels are made, as the criteria name them.")
    ] = None,
    camera: Annotated[
        Path | None,
        typer.Option(help="Camera file, or a capture file (TOML) that names tiles and companions.", metavar="FILE"),
    ] = None,
    json_folder: Annotated[Path | None, typer.Option("--json", help="Folder for result files.", metavar="DIR")] = None,
    annotate: Annotated[Path | None, typer.Option(help="Folder for annotated pictures.", metavar="DIR")] = None,
    gaps: Annotated[
        Path | None, typer.Option(help="Folder for charts of the gaps between cells; needs a recipe.", metavar="DIR")
    ] = None,
    log: LogOption = None,
    model: ModelOption = None,
) -> None:
    """Inspect images and propose a disposition for each.

    Exit code 0: all files read, 1: some input failed and was reported, 2: wrong options. A panel that is held is not a
    failure.
    """
    if gaps is not None and recipe is None:
        raise typer.BadParameter("a layout says nothing about sizes: give --recipe", param_hint="--gaps")
    product = None if recipe is None and layout == AUTO else product_of(recipe, layout)

    from elinspect.imaging import CameraSet, read_camera_set
    from elinspect.operations.inspecting import Outputs, inspect_files
    from elinspect.operations.site_models import open_model
    from elinspect.pipeline import Occasion

    limits = _limits(criteria)
    cameras = read_camera_set(camera) if camera is not None else CameraSet()
    panels = len(cameras.sets_of(images))
    if serial is not None and panels > 1:
        raise typer.BadParameter("one serial belongs to one image", param_hint="--serial")
    occasion = Occasion(serial, stage, purpose, customer=customer)
    chosen = open_model(model)
    failed = 0
    with _opened(log) as opened, progress_bar() as progress:
        outputs = Outputs(json_folder, annotate, opened, chart_folder=gaps)
        bar = progress.add_task(words("command.inspecting"), total=panels)
        for done in inspect_files(images, product, limits, occasion, outputs, chosen, cameras):
            failed += done.failure is not None
            _say_inspected(done)
            progress.advance(bar)
    if failed:
        err.print(words("command.failed", n=failed), style="bold red")
        raise typer.Exit(1)


@contextmanager
def _opened(log: str | None) -> "Iterator[Log | None]":
    if log is None:
        yield None
        return
    from elinspect.store.log import open_log

    with open_log(log) as opened:
        yield opened


def _say_inspected(done: "Inspected") -> None:
    result = done.result
    out.print(
        words(
            "command.inspected",
            file=str(done.path),
            proposal=result.proposal.disposition.value,
            flags=sum(flag.counts for flag in result.flags),
            above=sum(flag.limit is not None for flag in result.flags),
            seconds=result.timing_s["total"],
        ),
        markup=False,
    )
    for reason in result.proposal.reasons:
        if reason != done.failure:  # that one goes to the error stream, once
            out.print(f"    {reason.text}", markup=False)
    if result.loss is not None and result.flags:
        loss = words("command.loss", loss_w=result.loss.loss_w, worst_w=result.loss.worst_loss_w)
        out.print(f"    {loss}", markup=False)
    for step in result.rework.steps if result.rework is not None else ():
        out.print(f"    -> {step.text.text}", markup=False)
    if done.failure is not None:
        err.print(done.failure.text, style="bold red", markup=False)


@app.command()
@in_words
def review(
    log: LogOption = None,
    inspector: Annotated[str, typer.Option(help="Name of the inspector.")] = "inspector",
    role: Annotated[Role, typer.Option(help="Role of the person at the desk.")] = Role.INSPECTOR,
    criteria: CriteriaOption = None,
    station: Annotated[
        list[Path] | None,
        typer.Option(help="Station file this seat serves (takt, shifts, log); may be given several times."),
    ] = None,
    seat: Annotated[
        str, typer.Option(help="Name of this seat; seats that share a log need names of their own.")
    ] = STATION,
) -> None:
    """Open the reviewer window on a log."""
    from elinspect.station.station_file import read_station_file, shared_log

    served = [read_station_file(path) for path in station or ()]
    log = log or shared_log(served)
    limits = _limits(criteria)
    problem = _display_problem_beside_loading()
    if problem is not None:
        raise DisplayError("command.no_window", problem=problem)
    raise typer.Exit(_open_window(log_place(log), inspector, role, limits, served, seat))


def _display_problem() -> str | None:
    from elinspect_ui.probe import display_problem

    return display_problem()


def _display_problem_beside_loading() -> str | None:
    """Try the display in its child process while the log's half of the program is loaded here: it takes as long."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as beside:
        tried = beside.submit(_display_problem)
        import elinspect.operations.desk
        import elinspect.operations.log_pages
        import elinspect.store.log  # noqa: F401

        return tried.result()


def _open_window(
    log: str,
    inspector: str,
    role: Role,
    criteria: "AcceptanceCriteria",
    served: "Sequence[StationFile]" = (),
    seat: str = STATION,
    *,
    walk: bool = False,
) -> int:
    from elinspect.operations.desk import ReviewDesk
    from elinspect.operations.log_pages import LogPages
    from elinspect.operations.shifts import USUAL_SHIFTS
    from elinspect.operations.tool_map import read_tool_map
    from elinspect.store.log import open_log

    tools = [part for each in served if each.tools is not None for part in read_tool_map(each.tools)]
    with open_log(log) as opened:
        shifts = served[0].shifts if served else ()
        read = LogPages(opened, seat, tools, shifts or USUAL_SHIFTS)
        desk = ReviewDesk(opened, seat, inspector, role, criteria, flag_stands=read.flag_stands)
        from elinspect.operations.reading_desk import ReadingDesk
        from elinspect_ui.app import run
        from elinspect_ui.log_pages import log_pages

        try:
            takts = {each.name: each.takt_s for each in served if each.takt_s is not None}
            readings = ReadingDesk(opened, seat, lambda: desk.person_id, read.purpose)
            pages = log_pages(read, readings, lambda: desk.person)
            return run(desk, takts=takts, shifts=shifts, walk=walk, pages=pages)
        finally:
            desk.close()


@app.command()
@in_words
def simulate(
    folder: Annotated[Path, typer.Option("--out", help="Folder for pictures and truth.", metavar="DIR")],
    recipe: RecipeOption = None,
    layout: LayoutOption = None,
    panels: Annotated[int, typer.Option(help="How many panels.", min=1)] = 1,
    seed: Annotated[int, typer.Option(help="The same seed gives the same panels.", min=0)] = 0,
    mm_per_px: Annotated[float, typer.Option(help="Size of a pixel.", min=0.1, max=2.0)] = 0.5,
    bit_depth: Annotated[Bits, typer.Option(help="Bits of the camera.")] = Bits.TWELVE,
    low_current: Annotated[
        float | None, typer.Option(help="Also at this share of the full current.", min=0.01, max=1.0)
    ] = None,
    laid_up: Annotated[bool, typer.Option("--laid-up", help="With sheet, tape, labels and probes over some.")] = False,
    frames: Annotated[int, typer.Option(help="Dark and flat pictures of each camera.", min=0, max=64)] = 0,
    plant: Annotated[bool, typer.Option("--plant", help="Let a plant run for months, as records in a log.")] = False,
    days: Annotated[int, typer.Option(help="Days the plant runs.", min=1, max=5000)] = 60,
    panels_per_day: Annotated[int, typer.Option(help="Panels of the plant a day.", min=2, max=20_000)] = 600,
    log: LogOption = None,
) -> None:
    """Simulate panels with known truth: a picture and a truth file each.

    A picture at low current lies beside as NAME.low.png; NAME.dark and NAME.flat hold what 'camera calibrate' makes a
    camera file from.

    With --plant an invented plant runs for months instead and is logged without pictures (in DIR, or in --log), purpose
    'demo': one after another a cell lot, a solder head, the lay-up, the laminator and a lane go bad in it. The truth
    lies beside.
    """
    if plant:
        simulate_plant(folder, log, days, panels_per_day, seed)
        return
    from elinspect.synthetic import simulate_to_folder

    product = product_of(recipe, layout).recipe
    with progress_bar() as progress:
        bar = progress.add_task(words("command.simulating"), total=panels)
        written = simulate_to_folder(
            folder,
            product,
            panels,
            seed,
            lambda: progress.advance(bar),
            px_per_mm=1 / mm_per_px,
            bit_depth=int(bit_depth),
            low_current=low_current,
            laid_up=laid_up,
            frames=frames,
        )
    for path in written:
        out.print(str(path), markup=False)


@app.command()
@in_words
def demo(
    folder: Annotated[
        Path | None, typer.Option("--dir", help="Folder; a temporary one if left out.", metavar="DIR")
    ] = None,
    window: Annotated[bool, typer.Option("--window/--no-window", help="Open the reviewer window.")] = True,
    panels: Annotated[int, typer.Option(help="How many panels.", min=1, max=200)] = 12,
    seed: Annotated[int, typer.Option(help="The same seed gives the same plant.", min=0)] = 7,
) -> None:
    """Simulate a small invented plant, inspect its panels and review them.

    Without a display, with a dead one, or with --no-window it writes annotated pictures, the log and the Pareto and
    says where they are. Everything carries the purpose 'demo' and can release nothing.
    """
    from elinspect.operations.demo import make_places

    places = make_places(folder)
    problem = _display_problem() if window else None
    if problem is not None:
        err.print(words("command.demo_without_window", problem=problem), markup=False)
    if window and problem is None:
        _demo_in_window(places, panels, seed)
    else:
        _demo_on_paper(places, panels, seed)


def _demo_in_window(places: "DemoPlaces", panels: int, seed: int) -> None:
    import multiprocessing

    from elinspect.operations.demo import run_demo_to_its_end
    from elinspect.recipe import default_criteria

    out.print(words("command.demo_window", folder=str(places.folder)), markup=False)
    worker = multiprocessing.get_context("spawn").Process(target=run_demo_to_its_end, args=(places, panels, seed))
    worker.start()
    try:
        code = _open_window(
            str(places.log), words("command.demo_inspector"), Role.INSPECTOR, default_criteria(), walk=True
        )
    finally:
        worker.terminate()
        worker.join()
    out.print(words("command.demo_left", folder=str(places.folder), log=str(places.log)), markup=False)
    raise typer.Exit(code)


def _demo_on_paper(places: "DemoPlaces", panels: int, seed: int) -> None:
    from elinspect.operations.demo import demo_pareto, run_demo, write_demo_pareto

    failed = 0
    with progress_bar() as progress:
        bar = progress.add_task(words("command.demo_inspecting"), total=panels)
        for done in run_demo(places, panels, seed):
            failed += done.failure is not None
            _say_inspected(done)
            progress.advance(bar)
    for by in (GroupBy.KIND, GroupBy.STRINGER, GroupBy.LANE):
        show_pareto(demo_pareto(places, by))
    write_demo_pareto(places)
    out.print(
        words(
            "command.demo_places",
            pictures=str(places.pictures),
            results=str(places.results),
            log=str(places.log),
            pareto=str(places.pareto),
        ),
        markup=False,
    )
    if failed:
        raise typer.Exit(1)


if __name__ == "__main__":
    main()
