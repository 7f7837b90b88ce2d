"""Commands about what the log tells: Pareto, commonality, charts, containment, reports, export. Wiring only."""

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out, progress_bar
from elinspect.errors import told_as
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.asked import ChartOf, ReportOf
from elinspect.statistics.pareto import CountOf, GroupBy, Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from elinspect.operations.commonality_found import Commonality
    from elinspect.operations.pareto import ParetoTable
    from elinspect.operations.people_words import PeopleTable

figures_app = typer.Typer()

PurposeOption = Annotated[Purpose, typer.Option(help="Only panels of this purpose.")]
StageOption = Annotated[Stage, typer.Option(help="Only pictures of this stage.")]
SinceOption = Annotated[str | None, typer.Option(help="First day.", metavar="YYYY-MM-DD")]
UntilOption = Annotated[str | None, typer.Option(help="Last day.", metavar="YYYY-MM-DD")]
KindOption = Annotated[list[Kind] | None, typer.Option("--kind", help="Only this kind of flag; may be repeated.")]
ProductOption = Annotated[str | None, typer.Option(help="Only this product, as the log names it.")]
StationOption = Annotated[
    Path | None, typer.Option("--station", help="Station file that says when shifts begin.", metavar="FILE")
]
OutOption = Annotated[list[Path] | None, typer.Option("--out", help="Also write a file.", metavar="FILE")]


def _day(value: str | None) -> str | None:
    from datetime import date

    try:
        return date.fromisoformat(value).isoformat() if value is not None else None
    except ValueError as error:
        raise typer.BadParameter(f"'{value}' is no day such as 2031-03-04") from error


def _shifts(station: Path | None) -> "Sequence[str]":
    """Return when the plant's shifts begin."""
    from elinspect.operations.shifts import USUAL_SHIFTS

    if station is None:
        return USUAL_SHIFTS
    from elinspect.station.station_file import read_station_file

    return read_station_file(station).shifts or USUAL_SHIFTS


@figures_app.command()
@in_words
def pareto(
    log: LogOption = None,
    by: Annotated[GroupBy, typer.Option(help="What the lines are.")] = GroupBy.KIND,
    count: Annotated[
        CountOf, typer.Option(help="Count what inspectors confirmed or what was proposed.")
    ] = CountOf.CONFIRMED,
    purpose: PurposeOption = Purpose.PRODUCTION,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    measure: Annotated[Measure, typer.Option(help="What lines are ordered by.")] = Measure.CELLS,
    weights: Annotated[
        Path | None, typer.Option(help="The plant's watts or cost of a flagged cell, per kind (TOML).", metavar="FILE")
    ] = None,
    kind: Annotated[Kind | None, typer.Option(help="Only cells of this primary kind.")] = None,
    product: ProductOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    against: Annotated[
        tuple[str, str] | None, typer.Option(help="First and last day of a period to compare with.", metavar="DAY DAY")
    ] = None,
    station: StationOption = None,
    csv: Annotated[Path | None, typer.Option(help="Also write the table here.", metavar="FILE")] = None,
    files: OutOption = None,
) -> None:
    """Show the defect Pareto: one primary kind per cell.

    Files are written by the end of their name: .csv, .xlsx, .parquet as a table, .png, .svg, .pdf as a figure.
    """
    if measure in (Measure.WATTS, Measure.COST) and weights is None:
        raise typer.BadParameter("watts and cost need the plant's figures", param_hint="--weights")
    period = (_day(since), _day(until))
    other = (str(_day(against[0])), str(_day(against[1]))) if against is not None else None

    from elinspect.operations.figure_files import read_weights, write_pareto
    from elinspect.operations.pareto import pareto as count_flags
    from elinspect.store.log import open_log

    given = read_weights(weights, measure) if weights is not None else None
    with open_log(log_place(log), new=False) as opened:
        table = count_flags(
            opened,
            by,
            purpose,
            count=count,
            stage=stage,
            kind=kind,
            product=product,
            since=period[0],
            until=period[1],
            measure=measure,
            weights=given,
            earlier=other,
            shifts=_shifts(station),
        )
    show_pareto(table)
    for path in [*([csv] if csv is not None else []), *(files or [])]:
        write_pareto(table, path)
        out.print(words("command.written", file=str(path)), markup=False)


def show_pareto(pareto_table: "ParetoTable") -> None:
    """Print a Pareto as a table."""
    title = words(
        "command.pareto_title",
        by=pareto_table.header[0],
        purpose=words(f"purpose.{pareto_table.purpose}"),
        cells=pareto_table.cells_inspected,
    )
    if not pareto_table.rows:
        out.print(title, markup=False)
        out.print(words("command.pareto_empty"), markup=False)
        return
    # Without rules between the columns it fits into the 80 columns of a plain terminal.
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    low, left_out = words("pareto.low"), {words("pareto.high")}
    if pareto_table.earlier is not None:
        left_out |= {words("pareto.share"), words("pareto.cumulative_share")}  # two periods need their place
    for number, name in enumerate(name for name in pareto_table.header if name not in left_out):
        heading = words("pareto.interval") if name == low else fill(name, 10)
        table.add_column(
            heading, justify="right" if number else "left", no_wrap=bool(number), min_width=None if number else 9
        )
    for row in pareto_table.rows:
        values = dict(zip(pareto_table.header, pareto_table.values(row), strict=True))
        table.add_row(*_cells_of(values, left_out))
    out.print(table)


def _cells_of(values: Mapping[str, str | float | int | None], left_out: Collection[str]) -> Iterator[str]:
    """Yield the cells of a line; the ends of an interval share one."""
    shares = {words("pareto.share"), words("pareto.cumulative_share")}
    low, high = words("pareto.low"), words("pareto.high")
    for name, value in values.items():
        if name == low and value is not None:
            yield f"{_shown(value)} – {_shown(values[high])}"
        elif name not in left_out:
            yield _shown(value, percent=name in shares)


def _shown(value: str | float | int | None, *, percent: bool = False) -> str:
    if value is None:
        return ""
    if percent and not isinstance(value, str):
        return f"{value:.1%}"
    if isinstance(value, float) and 0 < abs(value) < 1:
        return f"{value:.2g}" if abs(value) >= 1e-4 else "<0.0001"
    if isinstance(value, float):
        return f"{value:,.{0 if abs(value) >= 100 else 1}f}".replace(",", " ")
    return str(value)


@figures_app.command()
@in_words
def commonality(
    log: LogOption = None,
    kind: KindOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    since: SinceOption = None,
    until: UntilOption = None,
    product: ProductOption = None,
    proposed: Annotated[bool, typer.Option("--proposed", help="Count what the machine flagged.")] = False,
    once: Annotated[
        bool, typer.Option("--once", help="This is the one reading of the period, not one of every day's.")
    ] = False,
    files: OutOption = None,
) -> None:
    """Search for what flags have in common: stringer, lane, position, place in the cell, lot; since when.

    Without a period the newest four weeks are searched. An accusation is false in at most 1 of 100 such periods. Files
    by the end of their name: .json, .pdf.
    """
    period = (_day(since), _day(until))
    from elinspect.operations.commonality import commonality as search
    from elinspect.operations.commonality_files import write_commonality
    from elinspect.operations.commonality_words import as_messages
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        found = search(
            opened,
            kind or (),
            purpose,
            stage=stage,
            since=period[0],
            until=period[1],
            product=product,
            decided=not proposed,
            daily=not once,
        )
        for number, message in enumerate(as_messages(found)):
            out.print(message.text, style="bold" if number == 0 else None, markup=False)
        _show_lanes(found)
        for path in files or []:
            write_commonality(opened, found, path)
            out.print(words("command.written", file=str(path)), markup=False)


def _show_lanes(found: "Commonality") -> None:
    if not found.lanes:
        return
    table = Table(title=words("commonality.lanes"), title_justify="left")
    names = ("lane", "flagged", "cells", "rate", "interval")
    for number, name in enumerate(names):
        table.add_column(words(f"column.{name}"), justify="right" if number else "left")
    for lane in found.lanes:
        interval = f"{lane.low:.3%} – {lane.high:.3%}"
        figures = (str(lane.flagged), str(lane.cells), f"{lane.rate:.3%}", interval)
        table.add_row(f"{lane.stringer} / {lane.lane}", *figures)
    out.print(table)


@figures_app.command()
@in_words
def alerts(
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    until: UntilOption = None,
    tools: Annotated[
        Path | None, typer.Option(help="The plant's map of what touches where (TOML).", metavar="FILE")
    ] = None,
    cards: Annotated[Path | None, typer.Option(help="Folder for a card (PDF) of each alert.", metavar="DIR")] = None,
) -> None:
    """Show what a technician should look at now: repeats at one place of a lane, lanes whose rate has risen."""
    last = _day(until)
    from elinspect.operations.alert_card import write_card
    from elinspect.operations.alerts import alerts as look
    from elinspect.operations.tool_map import read_tool_map
    from elinspect.store.log import open_log

    parts = read_tool_map(tools) if tools is not None else ()
    with open_log(log_place(log), new=False) as opened:
        found = look(opened, purpose, until=last)
    if cards is not None:
        with told_as("command.no_folder", folder=str(cards)):
            cards.mkdir(parents=True, exist_ok=True)
    for number, alert in enumerate(found, start=1):
        out.print(alert.message.text, markup=False)
        if cards is not None:
            path = cards / f"alert-{number:02d}.pdf"
            write_card(alert, path, parts)
            out.print(words("command.written", file=str(path)), markup=False)
    if not found:
        out.print(words("alert.none"), markup=False)


@figures_app.command()
@in_words
def charts(
    of: Annotated[list[ChartOf] | None, typer.Argument(help="Which; all by default.")] = None,
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    since: SinceOption = None,
    until: UntilOption = None,
    product: ProductOption = None,
    kind: Annotated[Kind | None, typer.Option(help="Only flags of this kind.")] = None,
    stringer: Annotated[str | None, typer.Option(help="Only cells of this stringer, where flags are counted.")] = None,
    lane: Annotated[str | None, typer.Option(help="Only cells of this lane of it.")] = None,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    folder: Annotated[Path | None, typer.Option("--out", help="Folder for figures and tables.", metavar="DIR")] = None,
) -> None:
    """Show yield, flags, rework, escapes, pictures and takt day by day, with control limits.

    Limits are widened for variation between days. Where fewer than five are expected a day, rare events are shown by
    the good ones between them, and for others days are joined. Zone rules are left out: on counts they raise too many
    false alarms.
    """
    period = (_day(since), _day(until))
    from elinspect.operations.charts import chart_words, day_chart
    from elinspect.operations.figure_files import write_chart
    from elinspect.store.log import open_log

    if folder is not None:
        with told_as("command.no_folder", folder=str(folder)):
            folder.mkdir(parents=True, exist_ok=True)
    with open_log(log_place(log), new=False) as opened:
        for chart in of or list(ChartOf):
            made = day_chart(
                opened,
                chart,
                purpose,
                stage=stage,
                since=period[0],
                until=period[1],
                product=product,
                kind=kind,
                stringer=stringer,
                lane=lane,
            )
            out.print(chart_words(made), markup=False)
            for path in write_chart(made, folder) if folder is not None else ():
                out.print(words("command.written", file=str(path)), markup=False)


@figures_app.command()
@in_words
def containment(
    since: Annotated[str, typer.Option(help="First day, such as that of the onset.", metavar="YYYY-MM-DD")],
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    until: UntilOption = None,
    stringer: Annotated[str | None, typer.Option(help="Strings of this stringer.")] = None,
    lane: Annotated[str | None, typer.Option(help="Strings of this lane of it.")] = None,
    lot: Annotated[str | None, typer.Option(help="Strings of this cell lot.")] = None,
    position: Annotated[int, typer.Option(help="Position from the leading end; 0 for any.", min=0)] = 0,
    kind: Annotated[Kind | None, typer.Option(help="Whose scores are looked at again.")] = None,
    tighter: Annotated[float, typer.Option(help="Score from which a cell is suspect now.", min=0, max=1)] = 0.3,
    files: OutOption = None,
) -> None:
    """List every string and panel a bad lane, lot or place may have touched, and where it is now (.csv, .xlsx)."""
    if stringer is None and lot is None:
        raise typer.BadParameter("give a stringer or a lot", param_hint="--stringer / --lot")
    period = (str(_day(since)), _day(until))
    from elinspect.operations.containment import containment as contain
    from elinspect.operations.containment import summary, write_containment
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        found = contain(
            opened,
            period[0],
            purpose,
            stringer=stringer,
            lane=lane,
            lot=lot,
            position=position,
            until=period[1],
            kind=kind,
            tighter=tighter,
        )
        out.print(summary(found), markup=False)
        what = " / ".join(part for part in (stringer, lane, lot) if part)
        for path in files or []:
            write_containment(opened, found, what, period[0], path)
            out.print(words("command.written", file=str(path)), markup=False)


@figures_app.command()
@in_words
def report(
    of: Annotated[ReportOf, typer.Argument(help="What about.")],
    files: Annotated[list[Path], typer.Option("--out", help="File to write: .pdf or .xlsx.", metavar="FILE")],
    name: Annotated[str | None, typer.Argument(help="Stringer, supplier or serial.")] = None,
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    since: SinceOption = None,
    until: UntilOption = None,
    kind: Annotated[Kind | None, typer.Option(help="Only flags of this kind (stringer, supplier).")] = None,
    shift: Annotated[
        int | None, typer.Option(help="Which shift of the day, from 1; the newest by default.", min=1)
    ] = None,
    station: StationOption = None,
) -> None:
    """Write a report: of a shift, the day, the week, a cell supplier, a stringer, or the passport of a module.

    A shift is one of the day --until, by default the newest; it begins when the station file says, or at 6, 14 and 22.
    """
    if (name is None) != (of in (ReportOf.SHIFT, ReportOf.DAY, ReportOf.WEEK)):
        raise typer.BadParameter("a stringer, supplier or module needs its name, the others none", param_hint="NAME")
    if of is ReportOf.SHIFT and since is not None:
        raise typer.BadParameter("a shift is named by --until and --shift", param_hint="--since")
    period = {"since": _day(since), "until": _day(until)}
    from elinspect.operations.passports import module_passport
    from elinspect.operations.report_making import write_report
    from elinspect.operations.reports import machine_report, period_report
    from elinspect.operations.shift_report import shift_report
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        if of is ReportOf.MODULE:
            made = module_passport(opened, str(name))
        elif of is ReportOf.SHIFT:
            made = shift_report(opened, purpose, shifts=_shifts(station), number=shift, until=period["until"])
        elif name is not None:
            made = machine_report(opened, of, name, purpose, kind=kind, **period)
        else:
            made = period_report(opened, of, purpose, **period, shifts=_shifts(station))
    for path in files:
        write_report(made, path)
        out.print(words("command.written", file=str(path)), markup=False)


@figures_app.command()
@in_words
def agreement(
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    since: SinceOption = None,
    until: UntilOption = None,
    files: OutOption = None,
) -> None:
    """Show people and machine: who decides and answers how, and whether that drifts; agreement; what is missed.

    By default the newest four weeks, beside the four before. Files by the end of their name: .pdf, .xlsx.
    """
    period = (_day(since), _day(until))
    from elinspect.operations.people_report import people_report
    from elinspect.operations.people_words import people_sentences, people_tables
    from elinspect.operations.report_making import write_report
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        found, made = people_report(opened, purpose, since=period[0], until=period[1])
    for own in people_tables(found):
        _show_people(own)
    for text in people_sentences(found):
        out.print(text, markup=False)
    for path in files or []:
        write_report(made, path)
        out.print(words("command.written", file=str(path)), markup=False)


def _show_people(own: "PeopleTable") -> None:
    """Print a table about people; an interval stands under its value, so that all fits into 80 columns."""
    table = Table(title=own.heading, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    interval = words("column.interval")
    columns = [at for at, name in enumerate(own.header) if name != interval]
    for at in columns:
        word = max((len(part) for part in own.header[at].split()), default=0)
        table.add_column(
            fill(own.header[at], 10), justify="right" if at else "left", min_width=max(word, 7 if at else 12)
        )
    for row in own.rows:
        shown = [_shown(value, percent=at in own.shares) for at, value in enumerate(row)]
        under = [f"\n{shown[at + 1]}" if own.header[at + 1 : at + 2] == [interval] else "" for at in columns]
        table.add_row(*(shown[at] + more for at, more in zip(columns, under, strict=True)))
    out.print(table)


@figures_app.command()
@in_words
def export(
    file: Annotated[Path, typer.Argument(help="File to write: .csv, .xlsx, .parquet.", metavar="FILE")],
    log: LogOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    since: SinceOption = None,
    until: UntilOption = None,
    product: ProductOption = None,
) -> None:
    """Write every flagged cell with its production context, place and decision as a table."""
    period = (_day(since), _day(until))
    from elinspect.operations.figure_files import write_flagged_cells
    from elinspect.store.log import open_log
    from elinspect.store.production import Period

    with open_log(log_place(log), new=False) as opened:
        n = write_flagged_cells(opened, Period(purpose.value, stage.value, *period, product), file)
    out.print(words("command.exported", n=n, file=str(file)), markup=False)


def simulate_plant(folder: Path, log: str | None, days: int, panels_per_day: int, seed: int) -> None:
    """Let the troubled plant run and say where its log and its truth are."""
    from elinspect.operations.simulating import simulate_into_log
    from elinspect.store.log import open_log
    from elinspect.synthetic.troubled_plant import troubled_plant

    with told_as("command.no_folder", folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)
    place, truth = log or str(folder / "plant.sqlite"), folder / "plant.truth.json"
    plant = troubled_plant(days, panels_per_day)
    with open_log(place) as opened, progress_bar() as progress:
        bar = progress.add_task(words("command.simulating"), total=100)
        panels = simulate_into_log(
            opened, plant, days, seed, truth, lambda share: progress.update(bar, completed=round(100 * share))
        )
    out.print(words("command.plant_simulated", n=panels, log=place, truth=str(truth)), markup=False)
