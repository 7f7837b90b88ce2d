"""Serials: sources that agree, disagree, or are hostile; repeated and out of order."""

import pytest

from elinspect.records import Disposition
from elinspect.station.serials import SerialReading, agreed_serial, out_of_order, repeated
from elinspect.station.station_file import SerialRule, SerialSource

NAME, SIDE, PICTURE = SerialSource.FILE_NAME, SerialSource.SIDE_FILE, SerialSource.PICTURE


def _read(**said: str) -> list[SerialReading]:
    return [SerialReading(SerialSource(source), serial) for source, serial in said.items()]


def test_sources_that_agree_give_the_serial_with_its_zeros() -> None:
    agreed = agreed_serial(_read(file_name="000123", side_file="000123"), SerialRule())
    assert (agreed.serial, agreed.reasons) == ("000123", ())


def test_sources_that_disagree_give_none_and_say_both() -> None:
    agreed = agreed_serial(_read(file_name="000123", picture="000124"), SerialRule())
    assert agreed.serial is None
    assert "file name: 000123, code in the picture: 000124" in agreed.reasons[0].text


def test_without_a_source_the_panel_has_no_serial() -> None:
    assert agreed_serial([], SerialRule()).reasons[0].code == "station.no_serial"


@pytest.mark.parametrize("serial", ["../../etc/passwd", "'; DROP TABLE events; --", "panel 🔥", 'quote"', "=cmd()"])
def test_odd_marks_are_a_serial_unless_the_plant_says_how_serials_look(serial: str) -> None:
    assert agreed_serial(_read(side_file=serial), SerialRule()).serial == serial
    strict = agreed_serial(_read(side_file=serial), SerialRule(pattern=r"\d{12}"))
    assert strict.serial is None
    assert strict.reasons[0].code == "station.serial_form"


@pytest.mark.parametrize("serial", ["9" * 300, "12\n34", "12\x0034", "‮321"])
def test_what_cannot_be_a_serial_is_shown_harmlessly(serial: str) -> None:
    agreed = agreed_serial(_read(side_file=serial), SerialRule())
    assert agreed.serial is None
    assert len(agreed.reasons[0].text) < 300
    assert agreed.reasons[0].text.isprintable()


@pytest.mark.parametrize(
    ("decision", "held"),
    [
        (None, False),
        (Disposition.REWORK, False),
        (Disposition.HOLD, False),
        (Disposition.ACCEPT, True),
        (Disposition.CONCESSION, True),
        (Disposition.SCRAP, True),
    ],
)
def test_a_panel_that_had_left_the_gate_does_not_come_again(decision: Disposition | None, held: bool) -> None:
    assert (repeated("000123", decision) is not None) is held


@pytest.mark.parametrize(
    ("serial", "before", "held"),
    [
        ("AX-0124-B", "AX-0123-B", False),
        ("AX-0122-B", "AX-0123-B", True),
        ("1000", "999", False),
        ("0999", "1000", True),
        ("AX-0122", "BX-0123", False),  # another series: cannot be told
        ("no number", "also none", False),
        ("000123", None, False),
        ("000123", "000123", False),
    ],
)
def test_serials_that_count_up_do_not_go_back(serial: str, before: str | None, held: bool) -> None:
    assert (out_of_order(serial, before) is not None) is held
