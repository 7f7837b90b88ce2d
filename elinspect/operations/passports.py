"""The passport of one module by its serial: all stages, attempts, pictures, decisions, versions, ends of the log."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from elinspect.catalogue import Value, words
from elinspect.errors import LogError
from elinspect.operations.report_making import Making, Report, facts_of
from elinspect.records import PanelResult
from elinspect.reports.gap_chart import gap_chart
from elinspect.reports.paper import Heading, Paper, Part, Picture, drawn
from elinspect.result_file import from_dict
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.production import context_of, flags_of_inspections, reworks_of
from elinspect.store.reading import pictures_of
from elinspect.store.results import result_of
from elinspect.store.verify import chain_heads


def module_passport(log: Log, serial: str) -> Report:
    """Make the passport of one module: all stages, attempts, pictures, decisions, versions, ends of the log.

    Raises
    ------
    LogError
        If the log does not know the serial.
    """
    with log.reading() as connection:
        seen = sorted(pictures_of(connection, serial), key=lambda row: (row.seen_at, row.attempt))
        if not seen:
            raise LogError("report.no_serial", serial=serial)
        made = context_of(connection, serial)
        done = reworks_of(connection, [serial])
        flags = flags_of_inspections(connection, [row.id for row in seen])
        people = {row.decided_by: name_of(connection, row.decided_by) for row in seen}
        results = {row.id: _result(connection, row.id) for row in seen}
    making = Making()
    making.grid(words("passport.strings"), *_strings(made))
    making.grid(words("passport.pictures"), *_pictures(seen, results, people))
    making.grid(words("passport.flags"), *_flags(seen, flags))
    making.grid(words("passport.bench"), *_bench(done))
    shown = [Path(result["image"]["path"]) for result in results.values() if result is not None]
    for path in [path for path in shown if path.suffix.lower() in (".png", ".jpg", ".jpeg") and path.is_file()][-2:]:
        making.parts.append(Picture(path, path.name))
    making.parts += _gaps([results[row.id] for row in seen])
    heads = chain_heads(log)
    facts = [*facts_of(heads), (words("column.serial"), serial), (words("passport.purpose"), _purposes(seen))]
    return Report(Paper(words("report.module", serial=serial), facts, making.parts), tuple(making.sheets), heads)


def _result(connection: Any, inspection: str) -> dict[str, Any] | None:
    try:
        return result_of(connection, inspection)
    except LogError:
        return None  # simulated as a record


def _gaps(results: Sequence[dict[str, Any] | None]) -> list[Part]:
    """Return the chart of the gaps of the latest picture in which they were measured."""
    measured = [result for result in map(_read, results) if result is not None and result.measures is not None]
    return [Heading(words("passport.gaps")), drawn(gap_chart(measured[-1]))] if measured else []


def _read(result: dict[str, Any] | None) -> PanelResult | None:
    return None if result is None else from_dict(result)


def _purposes(seen: Sequence[Any]) -> str:
    return ", ".join(dict.fromkeys(words(f"purpose.{row.purpose}") for row in seen))


def _time(text: str) -> str:
    return text[:16].replace("T", " ")


_Table = tuple[Sequence[str], list[Sequence[Value]]]


def _strings(made: Sequence[Any]) -> _Table:
    names = ("string", "string_id", "stringer", "lane_only", "built", "supplier", "lot", "ribbon_lot")
    rows: list[Sequence[Value]] = [
        (row.string, row.string_id, row.stringer, row.lane, _time(row.built_at), row.cell_supplier, row.cell_lot,
         row.ribbon_lot)
        for row in made
    ]  # fmt: skip
    return [words(f"column.{name}") for name in names], rows


def _pictures(seen: Sequence[Any], results: dict[str, Any], people: dict[Any, str | None]) -> _Table:
    names = ("seen_at", "stage", "attempt", "proposal", "decision", "person", "versions", "picture")
    rows: list[Sequence[Value]] = []
    for row in seen:
        result = results[row.id]
        versions = " · ".join(str(value) for value in result["versions"].values() if value) if result else ""
        picture = f"{Path(result['image']['path']).name} {result['image']['sha256'] or ''}"[:60] if result else ""
        decision = words(f"disposition.{row.decision}") if row.decision else words("containment.undecided")
        head = (_time(row.seen_at), words(f"stage.{row.stage}"), row.attempt, words(f"disposition.{row.proposal}"))
        rows.append((*head, decision, people[row.decided_by] or "", versions, picture))
    return [words(f"column.{name}") for name in names], rows


def _flags(seen: Sequence[Any], flags: Sequence[Any]) -> _Table:
    stage = {row.id: words(f"stage.{row.stage}") for row in seen}
    rows: list[Sequence[Value]] = [
        (stage[row.inspection], words(f"kind.{row.kind}"), row.string or None, row.position or None,
         round(row.score, 3), row.standing_limit or "", words(f"answer.{row.answer}") if row.answer else "")
        for row in flags
    ]  # fmt: skip
    names = ("stage", "kind", "string", "position", "score", "limit", "answer")
    return [words(f"column.{name}") for name in names], rows


def _bench(done: Sequence[Any]) -> _Table:
    names = ("at", "work", "string", "position", "new_string", "fate")
    rows: list[Sequence[Value]] = [
        (
            _time(row.at),
            row.work.replace("_", " "),
            row.string or None,
            row.position or None,
            row.new_string_id,
            row.fate,
        )
        for row in done
    ]  # fmt: skip
    return [words(f"column.{name}") for name in names], rows
