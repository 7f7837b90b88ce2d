"""Commonality analysis of a log: what the flags have in common, since when, and what to do about it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from elinspect.catalogue import words
from elinspect.operations.commonality_found import TIMES_TO_FIND, Commonality, Example, LaneRate, Lead, Suspect
from elinspect.operations.figure_rows import CodedRows, coded_rows
from elinspect.operations.stages import charged_places
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.change_point import cells_to_accuse, onset, repair_verdict
from elinspect.statistics.commonality import FAMILY_LEVEL, spent
from elinspect.statistics.comparing import discovery_adjusted, rates_homogeneous, string_overdispersion
from elinspect.statistics.intervals import wilson
from elinspect.statistics.lots import Finding, Separated, lot_or_machine
from elinspect.statistics.places import place_cluster
from elinspect.statistics.strings_made import FlaggedCells, IntArray, StringsMade
from elinspect.statistics.suspects import BESIDE, Level, Node, at_place, belongs
from elinspect.store.counts import strings_made
from elinspect.store.flag_columns import STRING_KEY, FlagColumns, flag_columns, serials_of
from elinspect.store.log import Log
from elinspect.store.production import Period, days_of, maintenance_of
from elinspect.store.verify import chain_heads

FloatArray = NDArray[np.float64]

WINDOW_DAYS = 28
"""Days looked back on where no period is given."""
_MOST_EXAMPLES = 12
_MOST_LOTS = 3
_MOST_REPEATS = 200
_MOST_CHARGED = 100
_CONTEXT_DAYS = 2  # maintenance so near to the onset is named


def commonality(
    log: Log,
    kinds: Sequence[Kind] = (),
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    stage: Stage = Stage.BEFORE_LAMINATION,
    since: str | None = None,
    until: str | None = None,
    product: str | None = None,
    decided: bool = True,
    daily: bool = True,
    seed: int = 0,
) -> Commonality:
    """Search a log for what flags have in common.

    Parameters
    ----------
    log : Log
        The log.
    kinds : sequence of Kind
        Kinds of flag; empty for all.
    purpose, stage, product
        Which panels.
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``; by default the newest four weeks.
    decided : bool
        Count what inspectors confirmed; otherwise what the machine flagged.
    daily : bool
        The log is read every day: the level of 1 % is spent over four weeks of readings. Otherwise this is the one
        reading.
    seed : int
        Of the permutations; the same seed gives the same p.

    Returns
    -------
    Commonality
        With finding ``nothing`` where there is nothing, or not enough, to say so.
    """
    period, rows = _read(log, kinds, Period(purpose.value, stage.value, since, until, product), decided)
    level = spent(FAMILY_LEVEL, WINDOW_DAYS) if daily else FAMILY_LEVEL
    found = lot_or_machine(
        rows.made,
        rows.flagged,
        rows.stringer_of_lane,
        rows.supplier_of_lot,
        np.random.default_rng(seed),
        level=level,
        permutations=5999 if daily else 1999,
    )
    spread = _overdispersion(rows)
    node = found.suspect
    mine = _mine(rows, node) if node is not None else np.zeros(len(rows.flagged), dtype=np.bool_)
    points = rows.places
    known = np.isfinite(points[:, 0])
    cluster = None
    if node is not None:
        cluster = place_cluster(points[mine & known][-300:], points[~mine & known][-900:], np.random.default_rng(seed))
    return Commonality(
        purpose=purpose,
        stage=stage,
        kinds=tuple(kinds),
        decided=decided,
        first_day=rows.days[0] if rows.days else (period.since or ""),
        last_day=rows.days[-1] if rows.days else (period.until or ""),
        finding=found.finding,
        suspect=_suspect(log, rows, node, spread) if node is not None else None,
        lot=_lot_name(rows, found),
        rivals=_rival_names(rows, found),
        charged=_charged(log, purpose, rows.cells.chosen(mine)) if decided else {},
        p_value=found.decisive.p_value,
        level=found.decisive.level,
        missing_cells=_missing(rows, spread, found),
        lanes=_lane_rates(rows, spread),
        leads=_leads(rows, spread),
        cluster=cluster,
        repeats=len(rows.repeats),
        repeated=_newest(log, rows.repeats, _MOST_REPEATS, one_each=False),
        flagged=len(rows.flagged),
        cells=int(rows.made.cells.sum()),
        map=_map(rows),
        places=points[mine & known],
        per_day=_per_day(rows, node, mine),
        days=tuple(rows.days),
        examples=_newest(log, rows.cells.chosen(mine), _MOST_EXAMPLES),
        heads=chain_heads(log),
    )


def _read(log: Log, kinds: Sequence[Kind], asked: Period, decided: bool) -> tuple[Period, CodedRows]:
    with log.reading() as connection:
        period = asked
        if asked.since is None:
            days = days_of(connection, asked.purpose, asked.stage)
            last = min(asked.until, days[1]) if asked.until and days else (days[1] if days else None)
            if last is not None:
                first = date.fromisoformat(last) - timedelta(days=WINDOW_DAYS - 1)
                period = Period(asked.purpose, asked.stage, first.isoformat(), asked.until, asked.product)
        strings = strings_made(connection, period, decided=decided, by=("day", *STRING_KEY))
    flags = flag_columns(
        log, period, sorted({row.day for row in strings}), [kind.value for kind in kinds], decided=decided
    )
    return period, coded_rows(strings, flags)


def _overdispersion(rows: CodedRows) -> float:
    sizes = np.repeat(rows.made.cells // np.maximum(rows.made.strings, 1), rows.made.strings)
    counts = np.zeros(len(sizes))
    per_string = np.unique(rows.flagged.string, return_counts=True)[1]
    counts[: len(per_string)] = per_string
    return string_overdispersion(sizes, counts)


def _codes(rows: CodedRows, of: StringsMade | FlaggedCells) -> dict[Level, IntArray]:
    return {
        Level.LANE: of.lane,
        Level.STRINGER: rows.stringer_of_lane[of.lane],
        **dict(zip(BESIDE, of.beside, strict=False)),
    }


def _mine(rows: CodedRows, node: Node) -> NDArray[np.bool_]:
    """Return which flags belong to a suspect."""
    return belongs(node, _codes(rows, rows.flagged), rows.flagged.position, rows.flagged.place)


def _made_by(rows: CodedRows, node: Node) -> NDArray[np.bool_]:
    """Return which entries of the strings made are a suspect's, whatever the position and place."""
    anywhere = replace(node, position=0, place=-1)
    return belongs(anywhere, _codes(rows, rows.made), rows.made.block, rows.made.block)


def _per_day(rows: CodedRows, node: Node | None, mine: NDArray[np.bool_]) -> FloatArray:
    n = len(rows.days)
    if node is None or not n:
        return np.zeros((n, 2))
    chosen = _made_by(rows, node)
    strings = np.bincount(rows.made.block[chosen], rows.made.strings[chosen], n)
    first_of_string = np.unique(rows.flagged.string[mine], return_index=True)[1]
    flagged = np.bincount(rows.flagged.block[mine][first_of_string], minlength=n)
    return np.column_stack([flagged, strings]).astype(np.float64)


def _name_of(rows: CodedRows, node: Node) -> str:
    """Return what the plant calls a suspect."""
    if node.level in BESIDE:
        return rows.beside[BESIDE.index(node.level)][node.beside]
    return " / ".join(rows.lanes[node.lane]) if node.lane >= 0 else rows.stringers[node.stringer]


def _rival_names(rows: CodedRows, found: Separated) -> tuple[tuple[str, str], ...]:
    return tuple((rival.level.value, _name_of(rows, rival)) for rival in found.machine.rivals)


def _suspect(log: Log, rows: CodedRows, node: Node, spread: float) -> Suspect:
    mine = _mine(rows, node)
    own = _per_day(rows, node, mine)
    total = np.bincount(rows.made.block, rows.made.strings, len(rows.days))
    others = _like(rows, node)
    rest = np.maximum(total - own[:, 1], 1)
    alike = np.unique(rows.flagged.string[others], return_index=True)[1]
    elsewhere = np.bincount(rows.flagged.block[others][alike], minlength=len(rows.days)) / rest
    base = np.full(len(rows.days), max(float(elsewhere.mean()), 1e-4))
    usual = 0.5 * base + 0.5 * elsewhere  # a day alone is a noisy guide to the others' rate
    began = onset(own[:, 0], usual * own[:, 1])
    first = began.first
    stringer = rows.stringers[node.stringer] if node.stringer >= 0 else ""
    lane = rows.lanes[node.lane][1] if node.lane >= 0 else ""
    with log.reading() as connection:
        machine = stringer or _name_of(rows, node)
        work = [row for row in maintenance_of(connection, machine) if not lane or row.lane in ("", lane)]
    near = [
        f"{row.started_at[:16].replace('T', ' ')} {row.what}"
        for row in work
        if _days_between(row.started_at[:10], rows.days[began.low], rows.days[began.high]) <= _CONTEXT_DAYS
    ]
    near += _lots_begun(rows, node, began.low, began.high)
    suspect = Suspect(
        level=node.level,
        name=_name_of(rows, node),
        stringer=stringer,
        lane=lane,
        position=node.position,
        place=node.place,
        observed=node.observed,
        expected=node.expected,
        onset_day=rows.days[first],
        onset_low=rows.days[began.low],
        onset_high=rows.days[began.high],
        times=began.times,
        bad_rate=(int(own[first:, 0].sum()), int(own[first:, 1].sum())),
        nearby=tuple(near),
    )
    repairs = [row for row in work if row.started_at[:10] > rows.days[began.high]]
    return _after_repair(suspect, repairs[-1], rows, own, first, float(base[0]), spread) if repairs else suspect


def _lots_begun(rows: CodedRows, node: Node, low: int, high: int) -> list[str]:
    """Return lots that a suspect used first within the interval of the onset, the newest first."""
    made = rows.made.chosen(_made_by(rows, node) & (rows.made.lot >= 0))
    lots, first = np.unique(made.lot, return_index=False), {}
    for lot in lots.tolist():
        first[lot] = int(made.block[made.lot == lot].min())
    begun = sorted((day, lot) for lot, day in first.items() if max(low, 1) <= day <= high)
    told = (words("commonality.lot_begun", lot=" / ".join(rows.lots[lot]), day=rows.days[day]) for day, lot in begun)
    return list(told)[:_MOST_LOTS]


def _like(rows: CodedRows, node: Node) -> NDArray[np.bool_]:
    """Return which flags of the others lie at the same position and place."""
    anywhere = replace(node, position=0, place=-1)
    own = belongs(anywhere, _codes(rows, rows.flagged), rows.flagged.position, rows.flagged.place)
    return ~own & at_place(node, rows.flagged.position, rows.flagged.place)


def _after_repair(
    suspect: Suspect, work: Any, rows: CodedRows, own: FloatArray, first: int, base: float, spread: float
) -> Suspect:
    days = np.array(rows.days)
    before = (days >= rows.days[first]) & (days < work.started_at[:10])
    after = days > (work.ended_at or work.started_at)[:10]
    counts = [(int(own[span, 0].sum()), int(own[span, 1].sum())) for span in (before, after)]
    told = repair_verdict(counts[0], counts[1], base, spread if not suspect.lane else 1.0)
    return replace(
        suspect,
        repair=told.verdict,
        repair_what=work.what,
        repair_at=work.started_at,
        since_repair=told.after,
        missing_after_repair=told.missing_cells,
    )


def _days_between(day: str, low: str, high: str) -> int:
    at, first, last = (date.fromisoformat(text).toordinal() for text in (day, low, high))
    return max(first - at, at - last, 0)


def _lot_name(rows: CodedRows, found: Separated) -> str | None:
    node = found.lot.best if found.lot is not None else None
    if found.finding is not Finding.LOT or node is None:
        return None
    if node.level is Level.STRINGER:
        return rows.suppliers[node.stringer]
    return " / ".join(part for part in rows.lots[node.lane] if part)


def _missing(rows: CodedRows, spread: float, found: Separated) -> int:
    cells = int(rows.made.cells.sum())
    lanes = np.unique(rows.made.lane)
    if found.finding is not Finding.NOTHING or not cells or not len(lanes):
        return 0
    rate = max(len(rows.flagged), 1) / cells
    needed = cells_to_accuse(rate, TIMES_TO_FIND, len(lanes), spread, found.machine.level)
    smallest = min(int(rows.made.cells[rows.made.lane == lane].sum()) for lane in lanes)
    return max(0, needed - smallest)


def _lane_rates(rows: CodedRows, spread: float) -> tuple[LaneRate, ...]:
    n = len(rows.lanes)
    cells = np.bincount(rows.made.lane, rows.made.cells, n)
    flagged = np.bincount(rows.flagged.lane, minlength=n)
    interval = wilson(np.minimum(flagged, cells) / spread, cells / spread)
    return tuple(
        LaneRate(
            *rows.lanes[lane], int(flagged[lane]), int(cells[lane]), flagged[lane] / cells[lane], *interval.at(lane)
        )
        for lane in range(n)
        if cells[lane]
    )


def _map(rows: CodedRows) -> FloatArray:
    positions = int(rows.flagged.position.max(initial=0))
    table = np.zeros((len(rows.lanes), positions + 1))
    np.add.at(table, (rows.flagged.lane, rows.flagged.position), 1)
    kept = np.bincount(rows.made.lane, rows.made.cells, len(rows.lanes)) > 0
    return table[kept, 1:]


def _newest(log: Log, cells: FlagColumns, most: int, *, one_each: bool = True) -> tuple[Example, ...]:
    """Return cells, the newest first, at most so many; of every picture only one, if asked."""
    order = np.lexsort((cells.position, cells.string, -cells.panel))
    if one_each:
        order = order[np.unique(-cells.panel[order], return_index=True)[1]]
    shown = cells.chosen(order[:most])
    pictures = [cells.inspections[panel] for panel in shown.panel.tolist()]
    with log.reading() as connection:
        serials = serials_of(connection, pictures)
    where = zip(pictures, shown.string.tolist(), shown.position.tolist(), strict=True)
    return tuple(Example(picture, serials[picture], string, position) for picture, string, position in where)


def _charged(log: Log, purpose: Purpose, cells: FlagColumns) -> dict[str, int]:
    """Count the suspect's newest cells by the part of the making that is charged: the stage that saw them first."""
    newest = _newest(log, cells, _MOST_CHARGED, one_each=False)
    found = charged_places(log, purpose.value, {(cell.serial, cell.string, cell.position) for cell in newest})
    return {who.value: n for who, n in sorted(found.items(), key=lambda pair: -pair[1])}


def _leads(rows: CodedRows, spread: float) -> tuple[Lead, ...]:
    """Compare every stringer, lane, supplier and lot with all others."""
    made, flagged = rows.made, rows.flagged
    known_made, known = made.lot >= 0, flagged.lot >= 0
    groupings = [
        ("stringer", rows.stringers, rows.stringer_of_lane[made.lane], rows.stringer_of_lane[flagged.lane]),
        ("lane", [" / ".join(lane) for lane in rows.lanes], made.lane, flagged.lane),
        ("cell_lot", [" / ".join(lot) for lot in rows.lots], made.lot, flagged.lot),
    ]
    for level, names, of_made, of_flagged in zip(BESIDE, rows.beside, made.beside, flagged.beside, strict=True):
        groupings.append((level.value, names, of_made, of_flagged))
    if len(rows.lots):
        of_made = np.where(known_made, rows.supplier_of_lot[made.lot], -1)
        of_flagged = np.where(known, rows.supplier_of_lot[flagged.lot], -1)
        groupings.append(("cell_supplier", rows.suppliers, of_made, of_flagged))
    lines, p_values = [], []
    for what, names, of_made, of_flagged in groupings:
        cells = np.bincount(of_made[of_made >= 0], made.cells[of_made >= 0], len(names))
        counts = np.bincount(of_flagged[of_flagged >= 0], minlength=len(names))
        for code, name in enumerate(names):
            rest_cells, rest = cells.sum() - cells[code], counts.sum() - counts[code]
            if cells[code] and rest_cells and rest:
                times = (counts[code] / cells[code]) / (rest / rest_cells)
                tested = rates_homogeneous([counts[code], rest], [cells[code], rest_cells])
                p_values.append(float(chdtrc(1, tested.chi_square / spread)))
                lines.append(Lead(what, name, int(counts[code]), int(cells[code]), float(times), 1.0))
    adjusted = discovery_adjusted(p_values)
    told = [
        Lead(line.what, line.name, line.flagged, line.cells, line.times, float(p))
        for line, p in zip(lines, adjusted, strict=True)
        if line.times > 1
    ]
    return tuple(sorted(told, key=lambda lead: (lead.adjusted, -lead.times))[:12])
