"""The Pareto out of the log: one primary kind per cell, nothing counted twice, nothing dropped."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from logged_panels import context_line, crack, make_flag, make_result, write_context

from elinspect.errors import LogError, SettingsFileError
from elinspect.operations.charts import Sort, day_chart
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.figure_files import read_weights, write_pareto
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.pareto import ParetoTable, note_words, pareto, title_words
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Flag, Kind, PanelResult, Purpose
from elinspect.review.gate import Role
from elinspect.review.session import Review, Verdict
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.pareto import CountOf, GroupBy, Measure
from elinspect.store import Log
from elinspect.store.anchor import read_anchor
from elinspect.store.verify import chain_heads, verify


def _desk(log: Log) -> ReviewDesk:
    return ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())


def _logged(log: Log, result: PanelResult) -> tuple[ReviewDesk, Review]:
    desk = _desk(log)
    return desk, desk.open(log_inspection(log, result, "gate 1"))


def _counts(table: ParetoTable) -> dict[str | None, tuple[int, int]]:
    return {row.key: (row.proposed, row.confirmed) for row in table.rows}


def _by_kind(log: Log, **options: object) -> dict[str | None, tuple[int, int]]:
    return _counts(pareto(log, **options))  # type: ignore[arg-type]


def test_a_cell_counts_once_under_its_primary_kind(log: Log) -> None:
    flags = (
        make_flag("m1", Kind.INACTIVE_AREA, 1, 1, "inactive_area.share"),
        crack("m2", 1, 1, parent="m1"),
        crack("m3", 1, 2),
    )
    _logged(log, make_result(flags=flags))
    assert _by_kind(log) == {"inactive_area": (1, 0), "crack": (1, 0)}


def test_what_the_machine_doubts_is_no_proposal_until_somebody_confirms_it(log: Log) -> None:
    doubtful = replace(crack("m1", 1, 1, limit=None), probability=0.02, doubtful=True)
    desk, review = _logged(log, make_result(flags=(doubtful, crack("m2", 1, 2))))
    assert _by_kind(log) == {"crack": (1, 0)}
    desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    assert _by_kind(log) == {"crack": (1, 1)}


def test_what_the_inspector_said_counts_as_confirmed(log: Log) -> None:
    flags = (
        make_flag("m1", Kind.INACTIVE_AREA, 1, 1, "inactive_area.share"),
        crack("m2", 1, 1, parent="m1"),
        crack("m3", 1, 2),
        crack("m4", 1, 3),
        crack("m5", 1, 4, limit=None),
    )
    desk, review = _logged(log, make_result(flags=flags))
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    review = desk.answer(review, Verdict("m2", Answer.CONFIRMED))
    review = desk.answer(review, Verdict("m3", Answer.DISMISSED))
    moved = replace(make_flag("m4", Kind.DARK_CELL, 1, 9, None), score=0.5)
    review = desk.answer(review, Verdict("m4", Answer.CHANGED, moved))
    review = desk.add(review, make_flag("", Kind.CHIPPED_CELL, 6, 10, None))
    expected = {"inactive_area": (1, 0), "crack": (3, 1), "dark_cell": (0, 1), "chipped_cell": (0, 1)}
    assert _by_kind(log) == expected
    desk.decide(review, Disposition.REWORK)
    assert _by_kind(log) == expected  # a flag below every limit that the decision leaves unanswered counts as neither


def test_an_answer_taken_back_is_not_counted(log: Log) -> None:
    desk, review = _logged(log, make_result(flags=(crack("m1", 1, 1),)))
    review = desk.answer(review, Verdict("m1", Answer.CHANGED, make_flag("m1", Kind.DARK_CELL, 2, 2, None)))
    review = desk.add(review, crack("x", 3, 3))
    assert _by_kind(log) == {"crack": (1, 1), "dark_cell": (0, 1)}
    review = desk.remove_added(review, "x")
    desk.answer(review, Verdict("m1", None))
    assert _by_kind(log) == {"crack": (1, 0)}


def test_stringers_and_lanes_with_what_is_not_known_as_a_line_of_its_own(log: Log, tmp_path: Path) -> None:
    strings = [("A", "1"), ("A", "2"), ("B", "1"), ("B", "2")]
    lines = [context_line("1", number, *place) for number, place in enumerate(strings, start=1)]
    import_context(log, write_context(tmp_path / "c.csv", lines))
    flags = [crack(f"m{s}{p}", s, p) for s, n in ((1, 1), (2, 2), (3, 3), (4, 4), (5, 5)) for p in range(1, n + 1)]
    _logged(log, make_result("1", flags=(*flags, make_flag("p", Kind.OPEN_CIRCUIT, None, None, None))))
    by_stringer = pareto(log, GroupBy.STRINGER, count=CountOf.PROPOSED)
    assert _counts(by_stringer) == {"B": (7, 0), None: (5, 0), "A": (3, 0), "panel": (1, 0)}
    assert [row.label for row in by_stringer.rows] == ["B", "unknown", "A", "panel as a whole"]
    assert [round(row.cumulative_share, 4) for row in by_stringer.rows] == [0.4375, 0.75, 0.9375, 1.0]
    by_lane = pareto(log, "lane", count="proposed", kind=Kind.CRACK)
    assert [(row.label, row.proposed) for row in by_lane.rows] == [
        ("unknown", 5),
        ("B / 2", 4),
        ("B / 1", 3),
        ("A / 2", 2),
        ("A / 1", 1),
    ]


def test_counts_follow_context_that_comes_later_or_is_corrected(log: Log, tmp_path: Path) -> None:
    desk, review = _logged(log, make_result("1", flags=(crack("m1", 1, 1), crack("m2", 2, 2))))
    desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    assert _by_kind(log, by=GroupBy.STRINGER) == {None: (2, 1)}
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", 1, "A")]))
    assert _by_kind(log, by=GroupBy.STRINGER) == {None: (1, 0), "A": (1, 1)}
    import_context(log, write_context(tmp_path / "d.csv", [context_line("1", s, "B") for s in (1, 2)]))
    assert _by_kind(log, by=GroupBy.STRINGER) == {"B": (2, 1)}


def test_a_retaken_picture_counts_in_nothing(log: Log) -> None:
    _logged(log, make_result(picture="one", flags=(crack("m1", 1, 1), crack("m2", 1, 2))))
    _logged(log, make_result(picture="two", flags=(crack("m1", 1, 1),)))
    table = pareto(log)
    assert _counts(table) == {"crack": (1, 0)}
    assert table.cells_inspected == 60


def test_a_cell_that_stays_in_the_panel_over_two_attempts_counts_once(log: Log) -> None:
    desk, review = _logged(log, make_result(picture="one", flags=(crack("m1", 1, 1), crack("m2", 1, 2))))
    review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    desk.decide(review, Disposition.REWORK)
    desk, review = _logged(log, make_result(picture="two", flags=(crack("m1", 1, 1), crack("m2", 1, 3))))
    assert _by_kind(log) == {"crack": (3, 1)}
    desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    table = pareto(log)
    assert _counts(table) == {"crack": (3, 1)}
    assert table.cells_inspected == 60


def test_purposes_are_shown_apart(log: Log) -> None:
    _logged(log, make_result("1", flags=(crack("m1", 1, 1),), purpose=Purpose.DEMO))
    assert _by_kind(log) == {}
    assert _by_kind(log, purpose=Purpose.DEMO) == {"crack": (1, 0)}
    assert pareto(log, purpose=Purpose.DEMO).cells_inspected == 60


def test_a_picture_that_could_not_be_judged_inspects_no_cells(log: Log) -> None:
    _logged(log, make_result("1", usable=False))
    _logged(log, make_result("2", found=False))
    assert pareto(log).cells_inspected == 0


def test_every_grouping_counts_everything(log: Log, tmp_path: Path) -> None:
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", s) for s in (1, 2)]))
    _logged(log, make_result("1", flags=_one_on_each_string()))
    for by in GroupBy:
        table = pareto(log, by, count=CountOf.PROPOSED)
        assert sum(row.proposed for row in table.rows) == 6, by
        assert table.rows[-1].cumulative_share == pytest.approx(1.0)


def _one_on_each_string() -> Iterable[Flag]:
    return [crack(f"m{string}", string, string) for string in range(1, 7)]


def test_the_csv_holds_what_the_screen_shows_and_no_formula(log: Log, tmp_path: Path) -> None:
    lines = [context_line("1", 1, "=2+3"), context_line("1", 2, "-B"), context_line("1", 3, "A")]
    import_context(log, write_context(tmp_path / "c.csv", lines))
    _logged(log, make_result("1", flags=[crack(f"m{n}", n, 1) for n in (1, 2, 3)]))
    write_pareto(pareto(log, GroupBy.STRINGER, count=CountOf.PROPOSED), tmp_path / "p.csv")
    assert (tmp_path / "p.csv").read_text(encoding="utf-8").splitlines() == [
        "stringer,proposed by the machine,confirmed by an inspector,share,cumulative share,per million cells,"
        "from (95 %),to (95 %)",
        "'-B,1,0,0.3333,0.3333,100000.0,17876.2,404150.0",
        "'=2+3,1,0,0.3333,0.6667,100000.0,17876.2,404150.0",
        "A,1,0,0.3333,1.0,100000.0,17876.2,404150.0",
    ]
    assert [path.name for path in tmp_path.glob("*.part")] == []
    anchored = read_anchor(tmp_path / "p.csv.anchor.json")
    assert anchored == chain_heads(log)
    assert verify(log, anchored) == ()


def test_positions_are_those_from_the_leading_end(log: Log, tmp_path: Path) -> None:
    lines = [context_line("1", 1, turned=False), context_line("1", 2, turned=True)]
    import_context(log, write_context(tmp_path / "c.csv", lines))
    _logged(log, make_result("1", flags=[crack("m1", 1, 3), crack("m2", 2, 8), crack("m3", 3, 3)]))
    table = pareto(log, GroupBy.POSITION, count=CountOf.PROPOSED)
    assert [(row.label, row.proposed) for row in table.rows] == [("3", 2), ("unknown", 1)]


def test_rates_have_the_cells_of_their_own_machine(log: Log, tmp_path: Path) -> None:
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", s, "AB"[s > 4]) for s in range(1, 7)]))
    _logged(log, make_result("1", flags=[crack("m1", 1, 1), crack("m2", 2, 2), crack("m3", 5, 3)]))
    found = {row.key: row for row in pareto(log, GroupBy.STRINGER, count=CountOf.PROPOSED).rows}
    assert (found["A"].cells, found["A"].per_million) == (40, pytest.approx(1e6 * 2 / 40))
    assert (found["B"].cells, found["B"].per_million) == (20, pytest.approx(1e6 * 1 / 20))
    by_rate = pareto(log, GroupBy.STRINGER, count=CountOf.PROPOSED, measure=Measure.PER_MILLION)
    assert [row.value for row in by_rate.rows] == [pytest.approx(50_000)] * 2


def test_shifts_lots_and_people_have_rates_of_their_own(
    log: Log, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = context_line("1", 2).replace("rib 3", "rib 4")
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", 1), other, context_line("2", 1)]))
    flags = {"1": [crack("m1", 1, 1), crack("m2", 2, 2)], "2": [crack("m1", 1, 1)]}
    for serial, clock in (("1", "13:59"), ("2", "14:00")):
        monkeypatch.setattr("elinspect.store.log.now", lambda clock=clock: f"2026-03-01T{clock}:00.000+01:00")
        _logged(log, make_result(serial, flags=flags[serial]))

    def rates(by: GroupBy, **more: object) -> dict[str | None, tuple[int, int | None]]:
        table = pareto(log, by, count=CountOf.PROPOSED, **more)  # type: ignore[arg-type]
        return {row.key: (row.proposed, row.cells) for row in table.rows}

    assert rates(GroupBy.RIBBON_LOT) == {"rib 3": (2, 20), "rib 4": (1, 10)}
    assert rates(GroupBy.SHIFT) == {"1": (2, 60), "2": (1, 60)}
    assert rates(GroupBy.SHIFT, shifts=("05:00", "20:00")) == {"1": (3, 120)}
    assert rates(GroupBy.POSITION) == {"001": (2, 3), "002": (1, 3)}  # one cell of each string with a stringer
    (operator,) = rates(GroupBy.OPERATOR).values()
    assert operator == (3, 30)


def test_panels_flags_and_weights(log: Log, tmp_path: Path) -> None:
    flags = [crack("m1", 1, 1), crack("m2", 1, 1), crack("m3", 2, 2), make_flag("m4", Kind.DARK_CELL, 3, 3, None)]
    _logged(log, make_result("1", flags=flags))
    _logged(log, make_result("2", flags=[crack("m1", 1, 1)]))
    proposed = {"count": CountOf.PROPOSED}

    def values(measure: Measure, **more: object) -> dict[str | None, float]:
        return {row.key: row.value for row in pareto(log, measure=measure, **proposed, **more).rows}  # type: ignore[arg-type]

    assert values(Measure.CELLS) == {"crack": 3, "dark_cell": 1}
    assert values(Measure.FLAGS) == {"crack": 4, "dark_cell": 1}
    assert values(Measure.PANELS) == {"crack": 2, "dark_cell": 1}
    (tmp_path / "own.toml").write_text("[watts]\ncrack = 0.5\ndark_cell = 4\n", encoding="utf-8")
    weights = read_weights(tmp_path / "own.toml", Measure.WATTS)
    assert values(Measure.WATTS, weights=weights) == {"dark_cell": 4.0, "crack": 1.5}
    with pytest.raises(ValueError, match="weights"):
        pareto(log, measure=Measure.COST)
    for bad in ("[watts]\nscratch = 1\n", "[watts]\ncrack = -1\n", "[watts]\ncrack = 'a'\n", "crack = 1\n", "["):
        (tmp_path / "own.toml").write_text(bad, encoding="utf-8")
        with pytest.raises(SettingsFileError, match=r"needs a table \[watts\]"):
            read_weights(tmp_path / "own.toml", Measure.WATTS)


def test_flags_under_one_of_their_kind_are_one_flag(log: Log) -> None:
    fingers = [
        make_flag(f"m{n}", Kind.FINGER_INTERRUPTION, 1, 1, None, parent="m1" if n > 1 else None) for n in range(1, 6)
    ]
    other = [crack("m6", 1, 1, parent="m1"), make_flag("m7", Kind.FINGER_INTERRUPTION, 2, 2, None)]
    desk, review = _logged(log, make_result("1", flags=[*fingers, *other]))

    def flags(count: CountOf) -> dict[str | None, float]:
        return {row.key: row.value for row in pareto(log, measure=Measure.FLAGS, count=count).rows if row.value}

    assert flags(CountOf.PROPOSED) == {"finger_interruption": 2, "crack": 1}
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    for single in ("m3", "m4"):
        review = desk.answer(review, Verdict(single, Answer.CONFIRMED))
    assert flags(CountOf.CONFIRMED) == {"finger_interruption": 1}


def test_quality_of_pictures_over_time(log: Log) -> None:
    for serial, ratio in (("1", 30.0), ("2", 40.0), ("3", 80.0)):
        result = make_result(serial)
        log_inspection(log, replace(result, quality=replace(result.quality, signal_to_noise=ratio)), "gate 1")
    _logged(log, make_result("4", purpose=Purpose.AUDIT))
    ratios, sharpness = (day_chart(log, of) for of in (ChartOf.SIGNAL_TO_NOISE, ChartOf.SHARPNESS))
    assert (ratios.sort, ratios.chart.values.tolist(), ratios.sizes.tolist()) == (Sort.RUN, [40.0], [3.0])
    assert ratios.chart.low[0] < 40 < ratios.chart.high[0]
    assert sharpness.chart.values.tolist() == [1.5]


def test_the_usual_origin_and_the_bench(log: Log) -> None:
    flags = [crack("m1", 1, 1), make_flag("m2", Kind.FINGER_INTERRUPTION, 2, 2, None)]
    _logged(log, make_result("1", flags=flags))
    assert _counts(pareto(log, GroupBy.ORIGIN, count=CountOf.PROPOSED)) == {"stringer": (1, 0), "incoming_cell": (1, 0)}


def test_two_periods_are_compared_line_by_line(log: Log) -> None:
    _logged(log, make_result("1", flags=[crack("m1", 1, 1)]))
    day = pareto(log, GroupBy.DAY, count=CountOf.PROPOSED).rows[0].key
    assert day is not None
    table = pareto(log, count=CountOf.PROPOSED, since=day, until=day, earlier=("2001-01-01", "2001-01-02"))
    (row,) = table.rows
    assert row.earlier is not None
    assert (row.earlier.first, row.earlier.p_value) == (0.0, 1.0)  # nothing was inspected then
    assert table.header[-1] == "p of no change"
    same = pareto(log, count=CountOf.PROPOSED, since=day, until=day, earlier=(day, day)).rows[0].earlier
    assert same is not None
    assert same.p_value == pytest.approx(1.0)


def test_every_kind_of_file_is_written_whole(log: Log, tmp_path: Path) -> None:
    _logged(log, make_result("1", flags=_one_on_each_string()))
    table = pareto(log, count=CountOf.PROPOSED)
    begins = {"csv": b"kind,", "xlsx": b"PK", "parquet": b"PAR1", "png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}
    for suffix, beginning in begins.items():
        path = tmp_path / f"pareto.{suffix}"
        write_pareto(table, path)
        assert path.read_bytes().startswith(beginning)
        assert read_anchor(path.with_name(path.name + ".anchor.json")) == chain_heads(log)
    assert [found.name for found in tmp_path.glob("*.part")] == []


def test_a_file_of_another_kind_is_refused_in_words(log: Log, tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"must end in \.csv"):
        write_pareto(pareto(log), tmp_path / "pareto.doc")


def test_what_is_not_kept_in_counts_shows_the_newest_four_weeks_and_says_so(log: Log) -> None:
    _logged(log, make_result("1", flags=[crack("m1", 1, 1)]))
    day = pareto(log, GroupBy.DAY, count=CountOf.PROPOSED).rows[0].key
    assert day is not None
    table = pareto(log, GroupBy.POSITION, count=CountOf.PROPOSED, measure=Measure.PANELS)
    assert table.period is not None
    assert table.period.since is not None
    assert (date.fromisoformat(day) - date.fromisoformat(table.period.since)).days == 27
    assert table.period.since in note_words(table)
    assert "newest four weeks" in title_words(table)
    assert pareto(log, GroupBy.POSITION).period == replace(table.period, since=None)
    asked = pareto(log, GroupBy.POSITION, since="2001-01-01", measure=Measure.PANELS)
    assert asked.period == replace(table.period, since="2001-01-01")
    assert "newest four weeks" not in title_words(asked)
