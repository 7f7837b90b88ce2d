"""Commonality analysis of a log: what the flags have in common, since when, and what to do about it."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message, Value, words
from elinspect.errors import LogError, told_as
from elinspect.operations.figure_rows import CodedRows, coded_rows, places_in_lane
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.change_point import Repair, cells_to_accuse, onset, repair_verdict
from elinspect.statistics.commonality import FAMILY_LEVEL, Level, Node, spent
from elinspect.statistics.comparing import discovery_adjusted, rates_homogeneous, string_overdispersion
from elinspect.statistics.intervals import wilson
from elinspect.statistics.lots import Finding, Separated, lot_or_machine
from elinspect.statistics.places import PlaceCluster, place_cluster
from elinspect.store.log import Log
from elinspect.store.production import Period, days_of, flagged_of, maintenance_of, strings_made
from elinspect.store.verify import ChainHead, chain_heads

FloatArray = NDArray[np.float64]

WINDOW_DAYS = 28
"""Days looked back on where no period is given."""
TIMES_TO_FIND = 4.0
"""How much worse a lane is that should be found; says how many cells are missing."""
_MOST_EXAMPLES = 12
_CONTEXT_DAYS = 2  # maintenance so near to the onset is named


@dataclass(frozen=True, slots=True)
class LaneRate:
    """One lane in the period.

    Attributes
    ----------
    stringer, lane : str
        Which.
    flagged, cells : int
        Flagged cells and cells inspected.
    rate, low, high : float
        Share and its 95 % interval (Wilson, widened by the variation between strings).
    """

    stringer: str
    lane: str
    flagged: int
    cells: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """The machine place that is accused, or that cannot be told from its lots.

    Attributes
    ----------
    level : Level
        How far down.
    stringer, lane : str
        Empty lane: the whole stringer.
    position : int
        From the leading end; 0 for any.
    place : int
        Place in the cell (`elinspect.statistics.strings_made.place_code`), -1 for any.
    observed : int
        Flagged strings in the span the search found.
    expected : float
        What it would have if the machine did not matter.
    onset_day, onset_low, onset_high : str
        First day or time of the higher rate, and its 95 % interval.
    times : float
        Rate since then over that of the others.
    bad_rate : tuple of (int, int)
        Flagged strings and strings since onset.
    nearby : tuple of str
        Maintenance on the machine near the onset, in words of the log.
    repair : Repair or None
        What can be said about the last repair since the onset; None without one.
    repair_what, repair_at : str
        That repair.
    since_repair : tuple of (int, int)
        Flagged strings and strings since.
    missing_after_repair : int
        Strings still needed to tell.
    """

    level: Level
    stringer: str
    lane: str
    position: int
    place: int
    observed: int
    expected: float
    onset_day: str
    onset_low: str
    onset_high: str
    times: float
    bad_rate: tuple[int, int]
    nearby: tuple[str, ...] = ()
    repair: Repair | None = None
    repair_what: str = ""
    repair_at: str = ""
    since_repair: tuple[int, int] = (0, 0)
    missing_after_repair: int = 0


@dataclass(frozen=True, slots=True)
class Lead:
    """One line of the list to look into; no accusation.

    Attributes
    ----------
    what : str
        Grouping: ``stringer``, ``lane``, ``cell_lot`` and so on.
    name : str
        Group.
    flagged, cells : int
        Flagged cells and cells.
    times : float
        Rate over that of all others.
    adjusted : float
        p adjusted for the length of the list (false discovery rate).
    """

    what: str
    name: str
    flagged: int
    cells: int
    times: float
    adjusted: float


@dataclass(frozen=True, slots=True, eq=False)
class Commonality:
    """What a commonality analysis says.

    Attributes
    ----------
    kinds : tuple of Kind
        Kinds of flag looked at; empty for all.
    decided : bool
        Whether confirmed flags of decided panels were counted, or what the machine flagged.
    first_day, last_day : str
        Days with inspections in the period; empty if none.
    finding : Finding
        The answer.
    suspect : Suspect or None
        Of the finding.
    lot : str or None
        Supplier and lot that is accused.
    p_value, level : float
        Of the search the finding rests on, and what it was compared with.
    missing_cells : int
        Cells a lane still lacks before one that is four times as bad would be found; 0 if there are enough.
    lanes : tuple of LaneRate
        All lanes.
    leads : tuple of Lead
        To look into, likeliest first.
    cluster : PlaceCluster or None
        Where in the cell the suspect's flags gather.
    repeats : int
        Flags set apart as repeats of a wafer.
    flagged, cells : int
        Flagged cells counted, and cells inspected.
    map : ndarray, shape (lanes, positions)
        Flagged strings by lane and position from the leading end, in the order of `lanes`.
    places : ndarray, shape (flags, 2)
        Places of the suspect's flags in the cell, along and across the lane.
    per_day : ndarray, shape (days, 2)
        Flagged strings and strings of the suspect by day.
    days : tuple of str
        The days.
    examples : tuple of str
        Inspections that show it, the newest first.
    heads : tuple of ChainHead
        Ends of the log's chains.
    """

    purpose: Purpose
    stage: Stage
    kinds: tuple[Kind, ...]
    decided: bool
    first_day: str
    last_day: str
    finding: Finding
    suspect: Suspect | None
    lot: str | None
    p_value: float
    level: float
    missing_cells: int
    lanes: tuple[LaneRate, ...]
    leads: tuple[Lead, ...]
    cluster: PlaceCluster | None
    repeats: int
    flagged: int
    cells: int
    map: FloatArray
    places: FloatArray
    per_day: FloatArray
    days: tuple[str, ...]
    examples: tuple[str, ...]
    heads: tuple[ChainHead, ...] = field(default=())


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
    along, across = places_in_lane(rows.rows)
    known = np.isfinite(along)
    points = np.column_stack([along, across])
    cluster = None
    if node is not None:
        cluster = place_cluster(points[mine & known][-300:], points[~mine & known][-1500:], np.random.default_rng(seed))
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
        p_value={Finding.LOT: found.lot, Finding.CANNOT_BE_SEPARATED: found.across_lots}.get(
            found.finding, found.machine
        ).p_value,
        level=level,
        missing_cells=_missing(rows, spread, found),
        lanes=_lane_rates(rows, spread),
        leads=_leads(rows, spread),
        cluster=cluster,
        repeats=len(rows.repeats),
        flagged=len(rows.flagged),
        cells=int(rows.made.cells.sum()),
        map=_map(rows),
        places=points[mine & known],
        per_day=_per_day(rows, node, mine),
        days=tuple(rows.days),
        examples=_examples(rows, mine),
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
        strings = strings_made(connection, period, decided=decided)
        flags = flagged_of(connection, period, [kind.value for kind in kinds], decided=decided)
    return period, coded_rows(strings, flags)


def _overdispersion(rows: CodedRows) -> float:
    sizes = np.repeat(rows.made.cells // np.maximum(rows.made.strings, 1), rows.made.strings)
    counts = np.zeros(len(sizes))
    per_string = np.unique(rows.flagged.string, return_counts=True)[1]
    counts[: len(per_string)] = per_string
    return string_overdispersion(sizes, counts)


def _mine(rows: CodedRows, node: Node) -> NDArray[np.bool_]:
    """Return which flags belong to a suspect."""
    cells = rows.flagged
    mine: NDArray[np.bool_] = rows.stringer_of_lane[cells.lane] == node.stringer
    if node.level is not Level.STRINGER:
        mine = cells.lane == node.lane
    if node.position:
        mine &= cells.position == node.position
    if node.place >= 0:
        mine &= cells.place == node.place
    return mine


def _per_day(rows: CodedRows, node: Node | None, mine: NDArray[np.bool_]) -> FloatArray:
    n = len(rows.days)
    if node is None or not n:
        return np.zeros((n, 2))
    lanes = rows.stringer_of_lane == node.stringer if node.level is Level.STRINGER else None
    chosen = lanes[rows.made.lane] if lanes is not None else rows.made.lane == node.lane
    strings = np.bincount(rows.made.block[chosen], rows.made.strings[chosen], n)
    first_of_string = np.unique(rows.flagged.string[mine], return_index=True)[1]
    flagged = np.bincount(rows.flagged.block[mine][first_of_string], minlength=n)
    return np.column_stack([flagged, strings]).astype(np.float64)


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
    stringer = rows.stringers[node.stringer]
    lane = rows.lanes[node.lane][1] if node.lane >= 0 else ""
    with log.reading() as connection:
        work = [row for row in maintenance_of(connection, stringer) if not lane or row.lane in ("", lane)]
    near = [
        f"{row.started_at[:16]} {row.what}"
        for row in work
        if _days_between(row.started_at[:10], rows.days[began.low], rows.days[began.high]) <= _CONTEXT_DAYS
    ]
    suspect = Suspect(
        level=node.level,
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


def _like(rows: CodedRows, node: Node) -> NDArray[np.bool_]:
    """Return which flags of the other machines lie at the same position and place."""
    cells = rows.flagged
    same: NDArray[np.bool_] = rows.stringer_of_lane[cells.lane] != node.stringer
    if node.level is not Level.STRINGER:
        same = cells.lane != node.lane
    if node.position:
        same &= cells.position == node.position
    if node.place >= 0:
        same &= cells.place == node.place
    return same


def _after_repair(
    suspect: Suspect, work: Any, rows: CodedRows, own: FloatArray, first: int, base: float, spread: float
) -> Suspect:
    days = np.array(rows.days)
    before = (days >= rows.days[first]) & (days < work.started_at[:10])
    after = days > (work.ended_at or work.started_at)[:10]
    counts = [(int(own[span, 0].sum()), int(own[span, 1].sum())) for span in (before, after)]
    told = repair_verdict(counts[0], counts[1], base, spread if suspect.level is Level.STRINGER else 1.0)
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
    node = found.lot.best
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
    needed = cells_to_accuse(rate, TIMES_TO_FIND, len(lanes), spread)
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


def _examples(rows: CodedRows, mine: NDArray[np.bool_]) -> tuple[str, ...]:
    newest = sorted((row for row, own in zip(rows.rows, mine, strict=True) if own), key=lambda row: -row.event_id)
    return tuple(dict.fromkeys(row.inspection for row in newest))[:_MOST_EXAMPLES]


def _leads(rows: CodedRows, spread: float) -> tuple[Lead, ...]:
    """Compare every stringer, lane, supplier and lot with all others."""
    made, flagged = rows.made, rows.flagged
    known_made, known = made.lot >= 0, flagged.lot >= 0
    groupings = [
        ("stringer", rows.stringers, rows.stringer_of_lane[made.lane], rows.stringer_of_lane[flagged.lane]),
        ("lane", [" / ".join(lane) for lane in rows.lanes], made.lane, flagged.lane),
        ("cell_lot", [" / ".join(lot) for lot in rows.lots], made.lot, flagged.lot),
    ]
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
                p_values.append(_sf(tested.chi_square / spread))
                lines.append(Lead(what, name, int(counts[code]), int(cells[code]), float(times), 1.0))
    adjusted = discovery_adjusted(p_values)
    told = [
        Lead(line.what, line.name, line.flagged, line.cells, line.times, float(p))
        for line, p in zip(lines, adjusted, strict=True)
        if line.times > 1
    ]
    return tuple(sorted(told, key=lambda lead: (lead.adjusted, -lead.times))[:12])


def _sf(chi_square: float) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(1, chi_square))


def as_messages(found: Commonality) -> tuple[Message, ...]:
    """Return the text to act on, line by line: what, how sure, since when, what to do."""
    lines = [_headline(found)]
    suspect = found.suspect
    if suspect is not None:
        flagged, strings = suspect.bad_rate
        lines.append(
            Message(
                "commonality.evidence",
                {"observed": suspect.observed, "expected": suspect.expected, "p": at_most(found.p_value, 4)},
            )
        )
        values: dict[str, Value] = {
            "day": suspect.onset_day,
            "low": suspect.onset_low,
            "high": suspect.onset_high,
            "times": suspect.times,
        }
        lines.append(Message("commonality.onset", {**values, "flagged": flagged, "strings": strings}))
        if found.cluster is not None and found.cluster.p_value <= 0.01:
            at: dict[str, Value] = {
                "along": found.cluster.along,
                "across": found.cluster.across,
                "n": found.cluster.inside,
            }
            lines.append(Message("commonality.cluster", {**at, "expected": found.cluster.expected}))
        lines += [Message("commonality.nearby", {"what": what}) for what in suspect.nearby]
        lines += _repair_lines(suspect)
    if found.missing_cells:
        lines.append(Message("commonality.missing", {"n": found.missing_cells, "times": TIMES_TO_FIND}))
    if found.repeats:
        lines.append(Message("commonality.repeats", {"n": found.repeats}))
    lines.append(
        Message(
            "commonality.basis",
            {"flagged": found.flagged, "cells": found.cells, "first": found.first_day, "last": found.last_day},
        )
    )
    return tuple(lines)


def at_most(p_value: float, decimals: int) -> float:
    """Return a chance rounded up, so that it never reads as none."""
    step = 10.0**-decimals
    return float(np.ceil(p_value / step - 1e-9) * step) or step


def _headline(found: Commonality) -> Message:
    if found.finding is Finding.LOT:
        return Message("commonality.lot", {"lot": found.lot})
    if found.suspect is None:
        return Message("commonality.not_enough" if found.missing_cells else "commonality.nothing")
    suspect = found.suspect
    where: dict[str, Value] = {
        "stringer": suspect.stringer,
        "lane": suspect.lane or words("commonality.all_lanes"),
        "position": suspect.position,
        "place": words(f"place.{suspect.place}") if suspect.place >= 0 else "",
    }
    level = suspect.level.value
    if found.finding is Finding.CANNOT_BE_SEPARATED:
        return Message("commonality.cannot_be_separated", where)
    return Message(f"commonality.accused_{level}", where)


def _repair_lines(suspect: Suspect) -> list[Message]:
    if suspect.repair is None:
        return []
    values: dict[str, Value] = {"what": suspect.repair_what, "at": suspect.repair_at[:16]}
    flagged, strings = suspect.since_repair
    counts: dict[str, Value] = {"flagged": flagged, "strings": strings, "n": suspect.missing_after_repair}
    return [Message(f"commonality.repair_{suspect.repair.value}", {**values, **counts})]


def write_json(found: Commonality, path: Path) -> None:
    """Write an analysis as JSON, with its text.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    plain = {
        name: value.tolist() if isinstance(value, np.ndarray) else value
        for name, value in ((name, getattr(found, name)) for name in found.__dataclass_fields__)
    }
    plain["text"] = [message.text for message in as_messages(found)]
    for name in ("suspect", "cluster"):
        plain[name] = asdict(plain[name]) if plain[name] is not None else None
    for name in ("lanes", "leads"):
        plain[name] = [asdict(line) for line in plain[name]]
    plain["heads"] = [{"station": head.station, "number": head.number, "hash": head.hash} for head in found.heads]
    with told_as("command.not_written", LogError, file=str(path)):
        path.write_text(json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
