"""Queue, flags, panel and keys in words."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from results import flag, result

from elinspect import detectors
from elinspect.catalogue import words
from elinspect.catalogue.english import TEXTS
from elinspect.recipe import AddressScheme, Numbering
from elinspect.records import Answer, CrackMode, Disposition, Kind, PanelResult, Purpose, Source
from elinspect.review.desk import WaitingPanel
from elinspect.review.session import Decision, Review, Verdict
from elinspect_ui.panes.help_window import TOPICS, help_text
from elinspect_ui.presenters.commands import BY_NAME, COMMANDS, key_table, key_words
from elinspect_ui.presenters.flag_lines import Standing, flag_lines, kind_choices, place_in_words
from elinspect_ui.presenters.panel_words import panel_words
from elinspect_ui.presenters.queue import neighbour, next_waiting, queue_lines, waiting_count


def _panel(name: str, minute: int, decision: Disposition | None = None, **changes: object) -> WaitingPanel:
    values = {
        "inspection": name,
        "serial": f"0{name}",
        "seen_at": f"2026-03-02T06:{minute:02d}:00+01:00",
        "purpose": Purpose.PRODUCTION,
        "attempt": 1,
        "proposal": Disposition.REWORK,
        "above_limit": 1,
        "decision": decision,
    }
    return WaitingPanel(**{**values, **changes})  # type: ignore[arg-type]


# As the desk gives them: undecided first.
LINE = (_panel("b", 2), _panel("d", 4), _panel("a", 1, Disposition.ACCEPT), _panel("c", 3, Disposition.HOLD))


def test_the_line_shows_panels_in_the_order_they_came() -> None:
    lines = queue_lines(LINE, "c")
    assert [line.inspection for line in lines] == ["a", "b", "c", "d"]
    assert [line.current for line in lines] == [False, False, True, False]
    assert lines[0].status == words("desktop.queue.decided", decision="accept")
    assert waiting_count(LINE) == 2


def test_times_of_other_zones_are_compared_as_moments() -> None:
    earlier = _panel("x", 0, seen_at="2026-03-02T04:59:00+00:00")
    assert queue_lines((*LINE, earlier), None)[0].inspection == "x"


def test_the_next_waiting_panel_comes_after_the_one_on_screen_and_then_from_the_front() -> None:
    assert next_waiting(LINE, None) == "b"
    assert next_waiting(LINE, "b") == "d"
    assert next_waiting(LINE, "d") == "b"
    assert next_waiting(LINE[2:], "a") is None


def test_neighbours_along_the_line() -> None:
    assert neighbour(LINE, "b", 1) == "c"
    assert neighbour(LINE, "a", -1) is None
    assert neighbour((), "a", 1) is None


def test_a_long_line_is_cut_around_what_matters() -> None:
    panels = [_panel(str(n), n % 60, Disposition.ACCEPT, seen_at=f"2026-03-02T{n // 60:02d}:{n % 60:02d}:00+00:00")
              for n in range(200)]  # fmt: skip
    shown = queue_lines(panels, "150", longest=30)
    assert len(shown) == 30
    assert "150" in [line.inspection for line in shown]


def test_a_panel_without_serial_says_so() -> None:
    assert queue_lines((_panel("a", 1, serial=None),), None)[0].serial == words("desktop.no_serial")


def _with_letters(panel: PanelResult) -> PanelResult:
    return replace(panel, panel=replace(panel.panel, addresses=AddressScheme(strings=Numbering.LETTERS)))


def test_flags_in_words() -> None:
    measured = flag(
        measurements={"width_mm": 1.25, "contrast": 0.12345, "bridges": 3, "spot": None, "dip_share": 0.031}, loss_w=2.5
    )
    (line,) = flag_lines(Review("a", _with_letters(result(measured))))
    assert line.title == "crack, cell A-2"
    assert line.standing is Standing.NEEDS_ANSWER
    assert dict(line.figures) == {
        "length": "56 mm",
        "crack mode": words("desktop.mode.B"),
        "loss": "2.5 W",
        "width": "1.25 mm",
        "contrast": "0.123",
        "bridges": "3",
        "dip": "3.1 %",
        "score": "0.75",
    }


def test_every_measurement_of_the_detectors_has_a_name() -> None:
    source = "".join(path.read_text(encoding="utf-8") for path in Path(detectors.__file__).parent.glob("*.py"))
    names = set(re.findall(r'"([a-z_]+_(?:mm2?|deg|share|luminance))":', source))
    assert {"main_line_mm", "relative_luminance"} <= names
    assert {f"desktop.measure.{name}" for name in names} <= TEXTS.keys()


def test_how_a_flag_stands_in_words() -> None:
    dark = flag("m2", Kind.DARK_CELL, "dark_cell.any", mode=None, source=Source.INSPECTOR)
    review = Review(
        "a",
        result(flag("m1"), flag("m2"), flag("m3", limit=None)),
        verdicts={"m1": Verdict("m1", Answer.DISMISSED), "m2": Verdict("m2", Answer.CHANGED, dark)},
        added=(flag("i1", Kind.OTHER, None, source=Source.INSPECTOR),),
    )
    lines = flag_lines(review)
    assert [line.standing for line in lines] == [
        Standing.DISMISSED,
        Standing.CHANGED,
        Standing.BELOW_LIMITS,
        Standing.ADDED,
    ]
    assert "was crack" in lines[1].standing_text
    assert "dark cell: any" in lines[1].standing_text
    assert "score" not in dict(lines[3].figures)


def test_places_of_strings_and_of_the_whole_panel() -> None:
    assert place_in_words(flag(position=None), AddressScheme()) == "string 1"
    assert place_in_words(flag(string=None, position=None), AddressScheme()) == "panel"


def test_the_panel_states_side_mirror_and_purpose() -> None:
    said = panel_words(Review("a", result(flag(), purpose=Purpose.DEMO)))
    assert "front" in said.facts
    assert "not mirrored" in said.facts
    assert "demo" in said.warning
    assert said.proposal == "Proposed: rework"
    assert panel_words(Review("a", result(flag()))).warning == ""


def test_a_decided_panel_states_who_and_what() -> None:
    decision = Decision(Disposition.HOLD, "R. Quill", "2026-03-02T06:00:00+00:00")
    said = panel_words(Review("a", result(flag()), decision=decision))
    assert "R. Quill" in said.warning
    assert "hold" in said.warning


def test_no_key_does_two_things() -> None:
    keys = [key for command in COMMANDS for key in command.keys]
    assert len(keys) == len(set(keys))
    assert BY_NAME.keys() == {command.name for command in COMMANDS}


def test_no_key_of_the_choice_of_kinds_is_there_twice_and_every_kind_has_one() -> None:
    keys, kinds = zip(*kind_choices(), strict=True)
    assert len(set(keys)) == len(keys)
    assert set(kinds) == set(Kind)


@pytest.mark.parametrize(
    ("key", "text"), [("+", "+"), ("Ctrl++", "Ctrl +"), ("Ctrl+Shift+Z", "Ctrl Shift Z"), ("Right", "→"), ("F6", "F6")]
)
def test_keys_read_as_they_stand_on_the_keyboard(key, text) -> None:
    assert key_words(key) == text


def test_the_help_holds_every_command_and_the_cautions() -> None:
    text = help_text()
    assert "{keys}" not in text
    for command in COMMANDS:
        assert f"| {command.text} |" in key_table()
        assert command.text in text
    for caution in ("direct current", "cut", "hot press", "certify nothing"):
        assert caution in text


def test_a_reason_stands_for_crack_modes() -> None:
    for mode in CrackMode:
        assert words(f"desktop.mode.{mode}").startswith(mode.value)


@pytest.mark.parametrize("topic", TOPICS)
def test_every_part_of_the_window_has_its_help(topic: str) -> None:
    text = help_text(topic=topic)
    assert text.startswith("# ")
    assert len(text.split()) > 100
    assert words(f"desktop.help.{topic}")


def test_the_keys_named_in_the_help_are_the_keys_of_the_commands() -> None:
    decision = help_text(topic="decision")
    for name in ("accept", "rework", "hold", "concession", "scrap"):
        assert f"| **{BY_NAME[name].shown_key}** | {name} |" in decision
    people = help_text(topic="people")
    for name in ("sign_in", "lock", "scan", "unread"):
        assert f"**{BY_NAME[name].shown_key}**" in people.replace("\n", " ")
    picture = help_text(topic="picture")
    for name in ("fit", "zoom_flag", "true_pixels", "rule", "earlier", "marks"):
        assert f"**{BY_NAME[name].shown_key}**" in picture
