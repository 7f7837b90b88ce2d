"""The Pareto against hand-added counts."""

import pytest

from elinspect.statistics.pareto import pareto


def test_defect_types_of_three_shifts() -> None:
    # Column totals of the table in NIST/SEMATECH e-Handbook 7.4.5 (prc45): defect types A to D over three shifts; the
    # cumulative shares were added up by hand.
    rows = pareto({"A": 15 + 26 + 33, "B": 21 + 31 + 17, "C": 45 + 34 + 49, "D": 13 + 5 + 20})
    assert [(row.key, row.count) for row in rows] == [("C", 128), ("A", 74), ("B", 69), ("D", 38)]
    assert [round(100 * row.cumulative_share, 1) for row in rows] == [41.4, 65.4, 87.7, 100.0]
    assert sum(row.share for row in rows) == pytest.approx(1.0)


def test_equal_counts_keep_their_order() -> None:
    assert [row.key for row in pareto({"b": 1, "a": 1, "c": 2})] == ["c", "b", "a"]


def test_nothing_counted() -> None:
    assert pareto({}) == ()
    assert [(row.share, row.cumulative_share) for row in pareto({"a": 0})] == [(0.0, 0.0)]


def test_negative_counts_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="negative"):
        pareto({"a": -1})
