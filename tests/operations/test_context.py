"""Importing production context: before or after the inspection, bad rows named, twice the same as once."""

from pathlib import Path

import pytest
from logged_panels import HEADER, context_line, crack, make_result, write_context
from sqlalchemy import select

import elinspect.operations.importing
from elinspect.errors import ImportFileError
from elinspect.operations.context import import_context
from elinspect.operations.log_inspection import log_inspection
from elinspect.store import Log
from elinspect.store.events import EventKind
from elinspect.store.people import name_of
from elinspect.store.schema import context_rows, flagged_cells


def _rows(log: Log) -> dict[tuple[str, int], object]:
    with log.reading() as connection:
        valid = connection.execute(select(context_rows).where(context_rows.c.valid_to.is_(None)))
        return {(row.serial, row.string): row for row in valid}


def _cell(log: Log) -> object:
    with log.reading() as connection:
        return connection.execute(select(flagged_cells)).one()


def test_every_column_arrives(log: Log, tmp_path: Path) -> None:
    report = import_context(log, write_context(tmp_path / "c.csv", [context_line("000123", 2, "B", "2", turned=True)]))
    assert (report.added, report.known, report.bad, report.ignored_columns) == (1, 0, (), ())
    row = _rows(log)["000123", 2]
    assert (row.string_id, row.stringer, row.lane, row.turned) == ("000123-S2", "B", "2", True)
    assert (row.built_at, row.cell_lot, row.cell_supplier) == ("2026-03-01T06:30:00+01:00", "lot 7", "Nordquarz")
    assert (row.cell_class, row.ribbon_lot) == ("A2", "rib 3")
    with log.reading() as connection:
        assert name_of(connection, row.operator) == "op 4"
    assert not [event for event in log.events() if "op 4" in repr(event)]  # a name, so outside the chain
    assert (row.layup_machine, row.bussing_machine, row.el_station) == ("layup 1", "bussing 1", "EL 1")


@pytest.mark.parametrize("before", [True, False], ids=["context first", "inspection first"])
def test_a_panel_may_be_imported_before_or_after_it_is_inspected(log: Log, tmp_path: Path, before: bool) -> None:
    path = write_context(tmp_path / "c.csv", [context_line("000123", s, "B", "2", turned=True) for s in range(1, 7)])
    if before:
        import_context(log, path)
    log_inspection(log, make_result(flags=(crack("m1", 2, 3),)), "gate 1")
    if not before:
        import_context(log, path)
    cell = _cell(log)
    assert (cell.origin, cell.stringer, cell.lane, cell.cell_lot) == ("imported", "B", "2", "lot 7")
    assert cell.position_as_built == 8  # position 3 of 10, counted from the leading end of a turned string


def test_importing_twice_changes_nothing(log: Log, tmp_path: Path) -> None:
    path = write_context(tmp_path / "c.csv", [context_line("1", s) for s in range(1, 7)])
    import_context(log, path)
    before, rows = list(log.events()), _rows(log)
    report = import_context(log, path)
    assert (report.added, report.known) == (0, 6)
    assert (list(log.events()), _rows(log)) == (before, rows)


def test_the_same_rows_in_another_file_say_nothing_new(log: Log, tmp_path: Path) -> None:
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", 1)]))
    report = import_context(log, write_context(tmp_path / "d.csv", [context_line("1", 1), context_line("1", 2)]))
    assert (report.added, report.known) == (1, 1)


def test_a_correction_replaces_what_an_earlier_file_said(log: Log, tmp_path: Path) -> None:
    log_inspection(log, make_result("1", flags=(crack("m1", 1, 3),)), "gate 1")
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", 1, "A")]))
    report = import_context(log, write_context(tmp_path / "d.csv", [context_line("1", 1, "B")]))
    assert report.added == 1
    assert _rows(log)["1", 1].stringer == "B"
    assert _cell(log).stringer == "B"


def test_missing_columns_are_unknown_and_erase_nothing(log: Log, tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_text("string;panel_serial;lane\n1;7;2\n", encoding="utf-8-sig")
    import_context(log, path)
    row = _rows(log)["7", 1]
    assert (row.lane, row.stringer, row.turned) == ("2", "", None)
    import_context(log, write_context(tmp_path / "c.csv", [context_line("7", 1, "A", "", turned=True)]))
    row = _rows(log)["7", 1]
    assert (row.lane, row.stringer, row.turned) == ("2", "A", True)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (",1,,,,,,,,,,,,,", "'panel_serial' is empty"),
        ("7,0,,,,,,,,,,,,,", "'string' is '0'; it must be a whole number from 1 to 1000"),
        ("7,1.0,,,,,,,,,,,,,", "'string' is '1.0'; it must be a whole number from 1 to 1000"),
        ("7,²,,,,,,,,,,,,,", "'string' is '²'; it must be a whole number from 1 to 1000"),
        ("7,,,,,,,,,,,,,,", "'string' is empty"),
        ("7,1,,,,maybe,,,,,,,,,", "'turned' is 'maybe'; it must be true or false"),
        ("7,1,,,,,2026-03-01T06:30:00,,,,,,,,", "the offset"),
        ("7,1,,,,,yesterday,,,,,,,,", "'built_at' is 'yesterday'"),
        (f"7,1,{'x' * 201},,,,,,,,,,,,", "'string_id' is longer than 200 characters"),
        ("7,1,a\x07b,,,,,,,,,,,,", "'string_id' holds characters that cannot be printed"),
        ("7,1", "has 2 fields, the first line has 15"),
        ("7,1,,,,,,,,,,,,,,", "has 16 fields, the first line has 15"),
    ],
)
def test_a_bad_row_is_reported_with_line_and_reason_and_the_others_kept(
    log: Log, tmp_path: Path, line: str, reason: str
) -> None:
    path = write_context(tmp_path / "c.csv", [context_line("1", 1), line, context_line("1", 2)])
    report = import_context(log, path)
    assert report.added == 2
    (bad,) = report.bad
    assert bad.text.startswith("Line 3: ")
    assert reason in bad.text
    assert _rows(log).keys() == {("1", 1), ("1", 2)}


def test_two_lines_of_a_file_that_contradict_each_other(log: Log, tmp_path: Path) -> None:
    path = write_context(
        tmp_path / "c.csv", [context_line("1", 1, "A"), context_line("1", 1, "B"), context_line("1", 1)]
    )
    for known in (1, 2):
        report = import_context(log, path)
        (bad,) = report.bad
        assert bad.text == "Line 3: says something else about 1, 1 than an earlier line of this file."
        assert report.known == known
        assert _rows(log)["1", 1].stringer == "A"


def test_a_contradiction_is_also_found_far_apart(log: Log, tmp_path: Path) -> None:
    lines = [context_line(f"{n}", s) for n in range(400) for s in (1, 2)]
    path = write_context(tmp_path / "c.csv", [*lines, context_line("0", 1, "B")])
    report = import_context(log, path)
    assert (report.added, [bad.line for bad in report.bad]) == (800, [802])


def test_a_broken_line_is_reported_and_the_next_read(log: Log, tmp_path: Path) -> None:
    path = write_context(tmp_path / "c.csv", ['1,1,a"b,"c"d,,,,,,,,,,,', context_line("1", 2)])
    report = import_context(log, path)
    assert [bad.line for bad in report.bad] == [2]
    assert _rows(log).keys() == {("1", 2)}


def test_an_import_that_was_interrupted_goes_on_where_it_stopped(
    log: Log, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(elinspect.operations.importing, "_BLOCK", 10)
    path = write_context(tmp_path / "context.csv", [context_line(f"{row}", 1) for row in range(35)])

    def interrupt(done: float) -> None:
        if done > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        import_context(log, path, interrupt)
    again = import_context(log, path)
    assert (again.added, again.known, again.bad) == (15, 20, ())
    once_more = import_context(log, path)
    assert (once_more.added, once_more.known) == (0, 35)
    with log.reading() as connection:
        rows = connection.execute(select(context_rows.c.serial, context_rows.c.valid_to)).all()
    assert sorted(int(row.serial) for row in rows) == list(range(35))
    assert all(row.valid_to is None for row in rows)


def test_unknown_columns_are_named(log: Log, tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text("panel_serial,string,shift\n1,1,late\n", encoding="utf-8")
    assert import_context(log, path).ignored_columns == ("shift",)


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"serial,string\n1,1\n", "no column 'panel_serial'"),
        (b"", "no column 'panel_serial'"),
        (b"panel_serial,string,string\n1,1,1\n", "names the column 'string' twice"),
        ("panel_serial,string,operator\n1,1,Jürgen\n".encode("latin-1"), "is not UTF-8"),
        (None, "cannot be read: No such file"),
    ],
)
def test_a_file_that_cannot_be_used_at_all(log: Log, tmp_path: Path, content: bytes | None, text: str) -> None:
    path = tmp_path / "c.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ImportFileError, match=text):
        import_context(log, path)
    assert {event.kind for event in log.events()} <= {EventKind.VERSION_CHANGE}


def test_the_progress_ends_at_one(log: Log, tmp_path: Path) -> None:
    told: list[float] = []
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", s) for s in range(1, 7)]), told.append)
    assert told
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_header_in_the_tests_is_the_one_in_the_program() -> None:
    from elinspect.operations.context import CONTEXT_COLUMNS

    assert tuple(HEADER.split(",")) == CONTEXT_COLUMNS


def test_an_old_file_imported_again_does_not_undo_a_correction(log: Log, tmp_path: Path) -> None:
    old = write_context(tmp_path / "c.csv", [context_line("1", 1, "A")])
    import_context(log, old)
    import_context(log, write_context(tmp_path / "d.csv", [context_line("1", 1, "B")]))
    report = import_context(log, old)
    assert (report.added, report.known) == (0, 1)
    assert _rows(log)["1", 1].stringer == "B"
