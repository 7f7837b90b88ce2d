"""Paretos, charts and analyses as files: the name's end says which."""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from elinspect.catalogue import Value, words
from elinspect.errors import LogError, SettingsFileError, told_as
from elinspect.operations.charts import CHART_COLUMNS, DayChart, chart_rows
from elinspect.operations.figure_rows import places_in_lane
from elinspect.operations.pareto import CountedRow, ParetoTable, note_words, period_words, title_words
from elinspect.records import Kind
from elinspect.reports.csv_table import write_csv
from elinspect.statistics.pareto import CountOf, Measure
from elinspect.store.anchor import anchor_path, write_anchor
from elinspect.store.log import Log
from elinspect.store.production import Period, flagged_of
from elinspect.store.verify import ChainHead, chain_heads

TABLES = (".csv", ".xlsx", ".parquet")
DRAWINGS = (".png", ".svg", ".pdf")


def write_pareto(table: ParetoTable, path: Path) -> None:
    """Write a Pareto: CSV, XLSX or Parquet as a table, PNG, SVG or PDF as a figure.

    The ends of the log's chains go into a second file beside it, ``<name>.anchor.json``: with it, `log verify` finds
    whether the log was changed since. Nothing in a table can become a spreadsheet formula.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    if path.suffix.lower() in DRAWINGS:
        from elinspect.reports.figures import save

        save(pareto_drawing(table), path)
    else:
        rows = [table.values(row) for row in table.rows]
        write_table(path, title_words(table), note_words(table), table.header, rows, shares=share_columns(table))
    write_anchor(anchor_path(path), table.heads)


def share_columns(table: ParetoTable) -> frozenset[int]:
    """Return the numbers of the columns in which shares stand, 0..1."""
    names = (words("pareto.share"), words("pareto.cumulative_share"))
    return frozenset(index for index, name in enumerate(table.header) if name in names)


def pareto_drawing(table: ParetoTable) -> Any:
    """Return the figure of a Pareto."""
    from elinspect.reports.figures import Bar, pareto_figure

    if table.earlier is not None:
        return _two_periods_drawing(table)
    confirmed = table.count is CountOf.CONFIRMED
    counted, beside = ("confirmed", "proposed") if confirmed else ("proposed", "confirmed")
    plain = table.measure is Measure.CELLS
    bars = [
        Bar(
            row.label,
            row.value,
            float((row.proposed if confirmed else row.confirmed) if plain else 0),
            row.cumulative_share,
            *_interval(table, row),
            unknown=row.key is None,
        )
        for row in table.rows
    ]
    names = (words(f"pareto.{counted}"), words(f"pareto.{beside}"))
    if not plain:
        names = (f"{words(f'measure.{table.measure.value}')}, {names[0]}", "")
    adds_up = table.measure is not Measure.PER_MILLION
    return pareto_figure(bars, title_words(table), note_words(table), *names, adds_up=adds_up)


def _interval(table: ParetoTable, row: CountedRow) -> tuple[float | None, float | None]:
    """Return the 95 % interval of what is drawn, in its unit; none where flags, panels, watts or cost are."""
    if row.low is None or row.high is None or table.measure not in (Measure.PER_MILLION, Measure.CELLS):
        return None, None
    cells = 1e6 if table.measure is Measure.PER_MILLION else row.cells or table.cells_inspected
    return row.low * cells / 1e6, row.high * cells / 1e6


def _two_periods_drawing(table: ParetoTable) -> Any:
    """Return the figure of two periods: rates in a million cells, with their intervals, and which of them changed."""
    from elinspect.reports.figures import Bar, pareto_figure

    bars = [
        Bar(
            words("pareto.changed", label=row.label) if changed else row.label,
            row.per_million or 0.0,
            1e6 * row.earlier.first if row.earlier is not None else 0.0,
            row.cumulative_share,
            row.low,
            row.high,
            unknown=row.key is None,
        )
        for row, changed in zip(table.rows, table.changed, strict=True)
    ]
    names = (period_words(table.period), period_words(table.earlier))
    note = note_words(table) + words("pareto.changed_note")
    return pareto_figure(bars, title_words(table), note, *names, words("pareto.per_million"), adds_up=False)


def write_table(
    path: Path,
    name: str,
    note: str,
    header: Sequence[str],
    rows: Sequence[Sequence[Value]],
    *,
    shares: frozenset[int] = frozenset(),
) -> None:
    """Write a table as CSV, XLSX or Parquet.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    suffix = path.suffix.lower()
    if suffix == ".csv":
        write_csv(path, header, rows)
    elif suffix == ".xlsx":
        from elinspect.reports.workbook import Sheet, write_workbook

        write_workbook(path, [Sheet(name, header, rows, (name, note), shares)])
    elif suffix == ".parquet":
        from elinspect.reports.workbook import write_parquet

        write_parquet(path, header, rows)
    else:
        raise LogError("figure.suffix", file=str(path), known=", ".join(TABLES + DRAWINGS))


def read_weights(path: Path, measure: Measure) -> Mapping[Kind, float]:
    """Read what one flagged cell of each kind costs, in watts or money: the plant's own figures.

    Parameters
    ----------
    path : Path
        TOML with a table ``[watts]`` or ``[cost]``, kinds as keys.
    measure : {Measure.WATTS, Measure.COST}
        Which table.

    Raises
    ------
    SettingsFileError
        If the file cannot be read, lacks the table, or names a kind or value that is none.
    """
    with told_as("figure.weights_unreadable", SettingsFileError, file=str(path)):
        text = path.read_bytes()
    try:
        table = tomllib.loads(text.decode("utf-8"))[measure.value]
        weights = {Kind(name): float(value) for name, value in table.items()}
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, AttributeError, TypeError, ValueError) as error:
        raise SettingsFileError("figure.weights", file=str(path), table=measure.value, cause=str(error)) from error
    if any(not 0 <= value < float("inf") for value in weights.values()):
        raise SettingsFileError("figure.weights", file=str(path), table=measure.value, cause="< 0")
    return weights


def write_heads(path: Path, heads: Sequence[ChainHead]) -> None:
    """Write the ends of the log's chains beside an export."""
    write_anchor(anchor_path(path), heads)


def write_chart(made: DayChart, folder: Path) -> tuple[Path, ...]:
    """Write a chart as PNG and CSV into a folder; nothing for a chart without points.

    Raises
    ------
    LogError
        If a file cannot be written.
    """
    if not made.labels:
        return ()
    from elinspect.reports.figures import save

    figure, table = folder / f"{made.of.value}.png", folder / f"{made.of.value}.csv"
    save(made.drawing(), figure)
    write_csv(table, [words(f"column.{name}") for name in CHART_COLUMNS], chart_rows(made))
    return figure, table


_EXPORTED = (
    *("serial", "string", "position", "position_as_built", "turned", "kind", "day", "seen_at", "product", "stringer"),
    *("lane", "cell_supplier", "cell_lot", "string_id", "along", "across", "model", "criteria", "station"),
)


def write_flagged_cells(log: Log, period: Period, path: Path) -> int:
    """Write every flagged cell of a period as CSV, XLSX or Parquet, columns named as in the log.

    Along and across are as the lane sees the cell. The ends of the log's chains are written beside it.

    Returns
    -------
    int
        Cells written.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    with log.reading() as connection:
        agreed = flagged_of(connection, period, (), decided=True)
        cells = flagged_of(connection, period, (), decided=False)
    confirmed, proposed = ({_cell_key(row) for row in found} for found in (agreed, cells))
    rows: list[Sequence[Value]] = []
    listed = [*cells, *(row for row in agreed if _cell_key(row) not in proposed)]
    along, across = places_in_lane(listed)
    for row, at, side in zip(listed, along.tolist(), across.tolist(), strict=True):
        values = {name: getattr(row, name, None) for name in _EXPORTED}
        values |= {"along": at if at == at else None, "across": side if side == side else None}
        answer = "confirmed" if _cell_key(row) in confirmed else "proposed"
        rows.append((*values.values(), answer))
    name = words("figure.flagged_cells")
    write_table(path, name, words("figure.cells", n=len(rows)), (*_EXPORTED, "standing"), rows)
    write_heads(path, chain_heads(log))
    return len(rows)


def _cell_key(row: Any) -> tuple[Any, ...]:
    return row.inspection, row.string, row.position
