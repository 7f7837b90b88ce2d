"""Paretos, charts and analyses as files: the name's end says which."""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from elinspect.catalogue import Value, words
from elinspect.errors import LogError, SettingsFileError, told_as
from elinspect.operations.pareto import ParetoTable, note_words, title_words
from elinspect.records import Kind
from elinspect.reports.csv_table import write_csv
from elinspect.statistics.pareto import CountOf, Measure
from elinspect.store.anchor import anchor_path, write_anchor
from elinspect.store.verify import ChainHead

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
        write_table(path, title_words(table), note_words(table), table.header, rows, shares=_shares(table))
    write_anchor(anchor_path(path), table.heads)


def _shares(table: ParetoTable) -> frozenset[int]:
    names = (words("pareto.share"), words("pareto.cumulative_share"))
    return frozenset(index for index, name in enumerate(table.header) if name in names)


def pareto_drawing(table: ParetoTable) -> Any:
    """Return the figure of a Pareto."""
    from elinspect.reports.figures import Bar, pareto_figure

    confirmed = table.count is CountOf.CONFIRMED
    counted, beside = ("confirmed", "proposed") if confirmed else ("proposed", "confirmed")
    plain = table.measure is Measure.CELLS
    bars = [
        Bar(
            row.label,
            row.value,
            float((row.proposed if confirmed else row.confirmed) if plain else 0),
            row.cumulative_share,
            row.low if table.measure is Measure.PER_MILLION else None,
            row.high if table.measure is Measure.PER_MILLION else None,
            unknown=row.key is None,
        )
        for row in table.rows
    ]
    names = (words(f"pareto.{counted}"), words(f"pareto.{beside}"))
    if not plain:
        names = (f"{words(f'measure.{table.measure.value}')}, {names[0]}", "")
    return pareto_figure(bars, title_words(table), note_words(table), *names)


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
