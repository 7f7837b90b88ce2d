"""Maintenance events, flash results, and workbooks."""

from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from sqlalchemy import select

from elinspect.errors import ImportFileError
from elinspect.operations.context import CONTEXT_COLUMNS, import_context
from elinspect.operations.flash_results import FLASH_COLUMNS, import_flash_results
from elinspect.operations.maintenance import MAINTENANCE_COLUMNS, import_maintenance
from elinspect.store import Log
from elinspect.store.events import EventKind
from elinspect.store.schema import context_rows, flash_results, maintenance_events

_NEEDLE = ("A", "2", "2026-03-01T06:30:00+01:00", "2026-03-01T06:50:00+01:00", "needle replaced", "bent")
_FLASH = ("000123", "2026-03-02T10:00:00+01:00", "412.5", "49.1", "10.6", "41.2", "10.01", "0.792", "410", "flash 1")


def _csv(path: Path, header: tuple[str, ...], *rows: tuple[str, ...]) -> Path:
    path.write_text("\n".join(",".join(row) for row in (header, *rows)) + "\n", encoding="utf-8")
    return path


def _workbook(path: Path, *rows: tuple[Any, ...]) -> Path:
    workbook = openpyxl.Workbook()
    for row in rows:
        workbook.worksheets[0].append(row)
    workbook.save(path)
    return path


def _all(log: Log, table: Any) -> list[Any]:
    with log.reading() as connection:
        return list(connection.execute(select(table)))


def test_maintenance_arrives_and_twice_is_once(log: Log, tmp_path: Path) -> None:
    path = _csv(tmp_path / "m.csv", MAINTENANCE_COLUMNS, _NEEDLE, ("EL 1", "", _NEEDLE[2], "", "lens cleaned", ""))
    report = import_maintenance(log, path)
    assert (report.added, report.known, report.bad) == (2, 0, ())
    rows = {row.machine: row for row in _all(log, maintenance_events)}
    assert tuple(getattr(rows["A"], name) for name in MAINTENANCE_COLUMNS) == _NEEDLE
    assert (rows["EL 1"].lane, rows["EL 1"].ended_at) == ("", "")
    before = list(log.events())
    assert import_maintenance(log, path).known == 2
    assert list(log.events()) == before


def test_a_later_file_completes_what_an_earlier_said(log: Log, tmp_path: Path) -> None:
    begun = (*_NEEDLE[:3], "", _NEEDLE[4], "")
    import_maintenance(log, _csv(tmp_path / "m.csv", MAINTENANCE_COLUMNS, begun))
    import_maintenance(log, _csv(tmp_path / "n.csv", MAINTENANCE_COLUMNS, _NEEDLE))
    (row,) = _all(log, maintenance_events)
    assert (row.ended_at, row.note) == (_NEEDLE[3], "bent")


def test_flash_results_arrive_and_twice_is_once(log: Log, tmp_path: Path) -> None:
    path = _csv(tmp_path / "f.csv", FLASH_COLUMNS, _FLASH, ("000124", _FLASH[1], *[""] * 8))
    report = import_flash_results(log, path)
    assert (report.added, report.bad) == (2, ())
    rows = {row.serial: row for row in _all(log, flash_results)}
    assert (rows["000123"].power_w, rows["000123"].fill_factor, rows["000123"].module_class) == (412.5, 0.792, "410")
    assert (rows["000124"].power_w, rows["000124"].tester) == (None, "")
    assert import_flash_results(log, path).known == 2


@pytest.mark.parametrize(
    ("column", "given", "reason"),
    [
        ("panel_serial", "", "'panel_serial' is empty"),
        ("measured_at", "", "'measured_at' is empty"),
        ("measured_at", "2026-03-02 10:00", "with the offset"),
        ("power_w", "-3", "must be a number above 0"),
        ("power_w", "nan", "must be a number above 0"),
        ("power_w", "1_0", "must be a number above 0"),
        ("power_w", "inf", "must be a number above 0"),
        ("isc_a", "10.6 A", "must be a number above 0"),
        ("fill_factor", "79.2", "must lie between 0 and 1"),
    ],
)
def test_bad_flash_results_are_reported(log: Log, tmp_path: Path, column: str, given: str, reason: str) -> None:
    wrong = tuple(given if name == column else value for name, value in zip(FLASH_COLUMNS, _FLASH, strict=True))
    good = ("000999", *_FLASH[1:])
    report = import_flash_results(log, _csv(tmp_path / "f.csv", FLASH_COLUMNS, wrong, good))
    assert [bad.line for bad in report.bad] == [2]
    assert reason in report.bad[0].text
    assert [row.serial for row in _all(log, flash_results)] == ["000999"]


def test_maintenance_without_machine_time_or_work_is_reported(log: Log, tmp_path: Path) -> None:
    rows = [tuple("" if i == missing else value for i, value in enumerate(_NEEDLE)) for missing in (0, 2, 4)]
    report = import_maintenance(log, _csv(tmp_path / "m.csv", MAINTENANCE_COLUMNS, *rows))
    assert [bad.text for bad in report.bad] == [
        "Line 2: 'machine' is empty.",
        "Line 3: 'started_at' is empty.",
        "Line 4: 'what' is empty.",
    ]


def test_a_workbook_is_read_like_a_csv(log: Log, tmp_path: Path) -> None:
    row = ("000123", 2, "S2", "B", 1, True, "2026-03-01T06:30:00+01:00", "lot 7", *[None] * 7)
    path = _workbook(tmp_path / "c.xlsx", CONTEXT_COLUMNS, row, (None,) * 15, ("000123", 3.0, None, "B"))
    report = import_context(log, path)
    assert (report.added, report.bad) == (2, ())
    rows = {row.string: row for row in _all(log, context_rows)}
    assert (rows[2].serial, rows[2].lane, rows[2].turned, rows[2].cell_lot) == ("000123", "1", True, "lot 7")
    assert (rows[3].stringer, rows[3].lane, rows[3].turned) == ("B", "", None)
    assert import_context(log, path).known == 2


def test_a_serial_that_a_workbook_took_for_a_number_is_refused(log: Log, tmp_path: Path) -> None:
    path = _workbook(tmp_path / "c.xlsx", ("panel_serial", "string", "cell_lot"), (123, 1, None), ("000124", 1, 7))
    report = import_context(log, path)
    assert [bad.line for bad in report.bad] == [2, 3]
    assert "'panel_serial' is stored as a number, so that leading zeros are lost" in report.bad[0].text
    assert "'cell_lot' is stored as a number" in report.bad[1].text


def test_a_time_a_workbook_keeps_without_offset_is_refused(log: Log, tmp_path: Path) -> None:
    path = _workbook(tmp_path / "c.xlsx", ("panel_serial", "string", "built_at"), ("1", 1, datetime(2026, 3, 1, 6, 30)))
    assert "with the offset" in import_context(log, path).bad[0].text


@pytest.mark.parametrize("content", [b"panel_serial,string\n1,1\n", b"", b"PK\x03\x04 half a zip"])
def test_what_is_no_workbook(log: Log, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "c.xlsx"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match="is not a workbook"):
        import_context(log, path)


def test_a_truncated_workbook(log: Log, tmp_path: Path) -> None:
    path = _workbook(tmp_path / "c.xlsx", CONTEXT_COLUMNS, *[(f"{n}", 1, *[None] * 13) for n in range(300)])
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(ImportFileError, match="is not a workbook"):
        import_context(log, path)
    assert {event.kind for event in log.events()} <= {EventKind.VERSION_CHANGE}
