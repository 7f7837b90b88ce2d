"""The defect Pareto from the log, per kind, stringer, lane, and further production context."""

from dataclasses import dataclass
from pathlib import Path

from elinspect.catalogue import words
from elinspect.records import Kind, Purpose, Stage
from elinspect.reports.csv_table import write_csv
from elinspect.statistics.pareto import CountOf, GroupBy
from elinspect.statistics.pareto import pareto as pareto_rows
from elinspect.store.anchor import anchor_path, write_anchor
from elinspect.store.log import Log
from elinspect.store.projections.attribution import BENCH, PANEL
from elinspect.store.reading import cells_inspected, flag_counts
from elinspect.store.verify import ChainHead, chain_heads

_COLUMNS: dict[GroupBy, tuple[str, ...]] = {
    GroupBy.KIND: ("kind",),
    GroupBy.STRINGER: ("origin", "stringer"),
    GroupBy.LANE: ("origin", "stringer", "lane"),
    GroupBy.CELL_SUPPLIER: ("origin", "cell_supplier"),
    GroupBy.CELL_LOT: ("origin", "cell_supplier", "cell_lot"),
    GroupBy.PRODUCT: ("product",),
    GroupBy.DAY: ("day",),
}


@dataclass(frozen=True, slots=True)
class CountedRow:
    """One line of a Pareto of flagged cells.

    Attributes
    ----------
    key : str or None
        The kind, stringer, lane (``<stringer> / <lane>``) and so on, as logged; None where it is not known.
    label : str
        The same in words.
    proposed : int
        Cells the machine flagged, each counted under its one primary kind.
    confirmed : int
        Cells where an inspector confirmed, changed or added a flag, each under the gravest.
    share, cumulative_share : float
        Of what the table counts, 0..1.
    """

    key: str | None
    label: str
    proposed: int
    confirmed: int
    share: float
    cumulative_share: float


@dataclass(frozen=True, slots=True)
class ParetoTable:
    """A Pareto with what it was asked for.

    Attributes
    ----------
    rows : tuple of CountedRow
        Largest first; what is not known has a line of its own.
    heads : tuple of ChainHead
        Ends of the log's chains when it was counted.
    cells_inspected : int
        Cells in usable pictures, each counted once over retakes and attempts.
    """

    by: GroupBy
    count: CountOf
    purpose: Purpose
    stage: Stage
    rows: tuple[CountedRow, ...]
    cells_inspected: int
    heads: tuple[ChainHead, ...] = ()

    @property
    def header(self) -> tuple[str, ...]:
        """The columns in words, as on screen and in the CSV."""
        names = ("proposed", "confirmed", "share", "cumulative_share")
        return (words(f"pareto.{self.by.value}"), *(words(f"pareto.{name}") for name in names))


def pareto(
    log: Log,
    by: GroupBy | str = GroupBy.KIND,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    count: CountOf | str = CountOf.CONFIRMED,
    stage: Stage = Stage.BEFORE_LAMINATION,
    kind: Kind | None = None,
    product: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> ParetoTable:
    """Count flagged cells.

    Parameters
    ----------
    log : Log
        The log.
    by : GroupBy
        What the lines are.
    purpose : Purpose
        Only production counts in a plant's figures; the others are shown apart, under their name.
    count : CountOf
        Whether lines are ordered by, and shares taken of, confirmed or machine-proposed cells.
    stage : Stage
        Of the pictures.
    kind : Kind, optional
        Only cells of this primary kind.
    product : str, optional
        Only this product, as the log names it.
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``.

    Returns
    -------
    ParetoTable
        Without rows if nothing was flagged.
    """
    by, count = GroupBy(by), CountOf(count)
    inspected = {"purpose": purpose.value, "stage": stage.value}
    if product is not None:
        inspected["product"] = product
    flagged = {**inspected, "kind": kind.value} if kind is not None else inspected
    with log.reading() as connection:
        found = flag_counts(connection, _COLUMNS[by], flagged, since, until)
        cells = cells_inspected(connection, inspected, since, until)
    sums = {tuple(row[:-2]): (int(row.proposed), int(row.confirmed)) for row in found}
    sums = {key: sums[key] for key in sorted(sums) if any(sums[key])}
    chosen = {key: proposed if count is CountOf.PROPOSED else confirmed for key, (proposed, confirmed) in sums.items()}
    rows = tuple(
        CountedRow(*_named(by, row.key), *sums[row.key], row.share, row.cumulative_share) for row in pareto_rows(chosen)
    )
    return ParetoTable(by, count, purpose, stage, rows, cells, chain_heads(log))


def write_pareto_csv(table: ParetoTable, path: Path) -> None:
    """Write a Pareto as CSV; shares are 0..1, nothing in it can become a spreadsheet formula.

    The ends of the log's chains go into a second file beside it, ``<name>.anchor.json``: with it, `log verify` finds
    whether the log was changed since.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    rows = (
        (row.label, row.proposed, row.confirmed, round(row.share, 4), round(row.cumulative_share, 4))
        for row in table.rows
    )
    write_csv(path, table.header, rows)
    write_anchor(anchor_path(path), table.heads)


def _named(by: GroupBy, key: tuple[str, ...]) -> tuple[str | None, str]:
    """Return key and label of a line."""
    if by is GroupBy.KIND:
        return key[0], words(f"kind.{key[0]}")
    if len(key) == 1:
        return key[0], key[0]
    origin, *names = key
    if origin in (BENCH, PANEL):
        return origin, words(f"pareto.{origin}")
    if not any(names):
        return None, words("common.unknown")
    label = " / ".join(name or words("common.unknown") for name in names)
    return label, label
