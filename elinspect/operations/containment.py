"""Containment: every string and panel that a bad lane, lot or place may have touched, and where it is now."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from elinspect.catalogue import Value, words
from elinspect.frames import position_as_built
from elinspect.operations.figure_files import write_heads, write_table
from elinspect.records import Disposition, Kind, Layout, Purpose, Stage
from elinspect.store.log import Log
from elinspect.store.production import Period, reworks_of, scores_of, strings_from
from elinspect.store.scores import unpack_scores
from elinspect.store.verify import chain_heads

_AT_ONCE = 500
_layout, _said = cache(Layout.parse), cache(words)  # few layouts and texts, fifty thousand strings
_ORDER = (Stage.STRING, Stage.BEFORE_LAMINATION, Stage.AFTER_LAMINATION, Stage.FINAL)


@dataclass(frozen=True, slots=True)
class Contained:
    """One string.

    Attributes
    ----------
    serial, string, string_id : str, int, str
        Which.
    lot : str
        Supplier and lot.
    seen_at : str
        When its panel was first seen.
    whereabouts : str
        Where it is now, in words.
    decision : str
        What was decided about its panel last, in words.
    cell : int or None
        Position in the panel that lies at the place in question.
    score : float or None
        Highest score there, of the kind asked for or any; None where none was kept.
    above : bool or None
        Whether that is above the tighter limit.
    """

    serial: str
    string: int
    string_id: str
    lot: str
    seen_at: str
    whereabouts: str
    decision: str
    cell: int | None
    score: float | None
    above: bool | None


CONTAINMENT_COLUMNS = (
    *("serial", "string", "string_id", "lot", "seen_at", "whereabouts", "decision", "cell", "score", "above"),
)


def containment(
    log: Log,
    since: str,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    stringer: str | None = None,
    lane: str | None = None,
    lot: str | None = None,
    position: int = 0,
    until: str | None = None,
    kind: Kind | None = None,
    tighter: float = 0.3,
) -> tuple[Contained, ...]:
    """List every string from a machine place or lot since a day.

    Parameters
    ----------
    log : Log
        The log.
    since, until : str
        First and last day, ``YYYY-MM-DD``.
    stringer, lane, lot : str, optional
        Where from; at least one of stringer and lot.
    position : int
        From the leading end; 0 for any.
    kind : Kind, optional
        Whose scores are looked at again; the highest of all by default.
    tighter : float
        Score from which a cell is called suspect now.

    Raises
    ------
    ValueError
        If neither a stringer nor a lot is given.
    """
    if stringer is None and lot is None:
        raise ValueError("containment needs a stringer or a lot")
    asked = {"stringer": stringer, "lane": lane, "cell_lot": lot}
    equal = {name: value for name, value in asked.items() if value is not None}
    with log.reading() as connection:
        rows: dict[tuple[str, int], list[Any]] = {}
        for stage in _ORDER:
            for row in strings_from(connection, equal, Period(purpose.value, stage.value, since, until)):
                rows.setdefault((row.serial, row.string), []).append(row)
        serials = sorted({serial for serial, _ in rows})
        done: dict[str, list[Any]] = {}
        scores: dict[str, Any] = {}
        for begin in range(0, len(serials), _AT_ONCE):
            for work in reworks_of(connection, serials[begin : begin + _AT_ONCE]):
                done.setdefault(work.serial, []).append(work)
        first = [found[0].inspection for found in rows.values()]
        for begin in range(0, len(first), _AT_ONCE):
            scores |= scores_of(connection, first[begin : begin + _AT_ONCE])
    return tuple(_contained(found, done, scores, position, kind, tighter) for found in rows.values())


def _contained(
    found: Sequence[Any],
    done: dict[str, list[Any]],
    scores: dict[str, Any],
    position: int,
    kind: Kind | None,
    tighter: float,
) -> Contained:
    first, last = found[0], found[-1]
    layout = _layout(first.layout)
    in_panel = None
    if position and first.turned is not None and position <= layout.cells_per_string:
        in_panel = position_as_built(layout, position, bool(first.turned))
    score = _score(scores.get(first.inspection), layout, first.string, in_panel, kind)
    return Contained(
        serial=first.serial,
        string=first.string,
        string_id=first.string_id,
        lot=" / ".join(part for part in (first.cell_supplier, first.cell_lot) if part),
        seen_at=first.seen_at,
        whereabouts=_whereabouts(last, done.get(first.serial, [])),
        decision=_said(f"disposition.{last.decision}" if last.decision else "containment.undecided"),
        cell=in_panel,
        score=score,
        above=score >= tighter if score is not None else None,
    )


def _score(blob: Any, layout: Layout, string: int, position: int | None, kind: Kind | None) -> float | None:
    names, table = unpack_scores(bytes(blob)) if blob is not None else ((), np.empty((0, 0)))
    if len(table) != layout.n_cells or (kind is not None and kind.value not in names):
        return None
    begin = (string - 1) * layout.cells_per_string
    cells = table[begin : begin + layout.cells_per_string]
    cells = cells if position is None else cells[position - 1 : position]
    chosen = cells if kind is None else cells[:, [names.index(kind.value)]]
    return float(np.nanmax(chosen)) if np.isfinite(chosen).any() else None


def _whereabouts(last: Any, done: Sequence[Any]) -> str:
    replaced = [row for row in done if row.string == last.string and row.work == "string_replaced"]
    if replaced:
        return words("containment.replaced", fate=replaced[-1].fate or words("common.unknown"))
    stage, decision = Stage(last.stage), last.decision
    if stage is Stage.BEFORE_LAMINATION and decision in (Disposition.ACCEPT, Disposition.CONCESSION):
        return _said("containment.released")
    if decision == Disposition.SCRAP:
        return _said("containment.scrapped")
    return _said("containment.at_stage", stage=_said(f"stage.{stage.value}"))


def summary(found: Sequence[Contained]) -> str:
    """Return a list in one sentence."""
    released = {line.serial for line in found if line.whereabouts == words("containment.released")}
    told = words(
        "containment.told",
        strings=len(found),
        panels=len({line.serial for line in found}),
        released=len(released),
        above=sum(bool(line.above) for line in found),
    )
    blank = sum(line.above is None for line in found)
    return f"{told} {words('containment.no_scores', n=blank)}" if blank else told


def write_containment(log: Log, found: Sequence[Contained], what: str, since: str, path: Path) -> None:
    """Write a list as CSV, XLSX or Parquet, with the ends of the log's chains beside it.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    header = [words(f"column.{name}") for name in CONTAINMENT_COLUMNS]
    rows: list[Sequence[Value]] = [tuple(getattr(line, name) for name in CONTAINMENT_COLUMNS) for line in found]
    write_table(path, words("containment.title", what=what, since=since), summary(found), header, rows)
    write_heads(path, chain_heads(log))
