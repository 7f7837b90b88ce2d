"""Operators, lay-up and bussing machines among the suspects, and suspects that cannot be told apart."""

from dataclasses import replace

import numpy as np
import pytest
from statistics_plants import flags, plant

from elinspect.statistics.commonality import SearchResult, search
from elinspect.statistics.lots import Finding, lot_or_machine
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, StringsMade
from elinspect.statistics.suspects import Level

STRINGERS = np.arange(6) // 2


def _with_hands(
    operator: np.ndarray, rates: np.ndarray, seed: int, layup: np.ndarray | None = None
) -> tuple[StringsMade, FlaggedCells]:
    """A plant in which the string of each table row has an operator and a lay-up machine, and its own rate."""
    rng = np.random.default_rng(seed)
    _, table = plant(strings=60)
    layup = np.zeros(len(table), dtype=np.int64) if layup is None else layup
    columns = np.stack([*table[:, 1:].T, operator, layup])
    codes, counts = np.unique(columns, axis=1, return_counts=True)
    block, lane, lot, who, machine = codes
    made = StringsMade(block, np.zeros_like(block), lane, lot, counts, 10 * counts, (who, machine))
    hit = np.flatnonzero(rng.random(len(table)) < rates)
    cells = flags(table, hit, rng.integers(1, 11, len(hit)))
    return made, replace(cells, beside=(operator[hit], layup[hit]))


def _searched(made: StringsMade, cells: FlaggedCells) -> SearchResult:
    return search(made, cells, STRINGERS, np.random.default_rng(0), permutations=199)


def _table() -> np.ndarray:
    return plant(strings=60)[1]


def test_an_operator_who_changes_stringers_is_accused_and_no_lane() -> None:
    table = _table()
    operator = (table[:, 2] // 2 + table[:, 1]) % 3
    found = _searched(*_with_hands(operator, np.where(operator == 1, 0.2, 0.05), 1))
    assert found.accused is not None
    assert (found.accused.level, found.accused.beside, found.accused.lane) == (Level.OPERATOR, 1, -1)


def test_a_layup_machine_is_accused() -> None:
    table = _table()
    layup = np.random.default_rng(5).integers(2, size=len(table))
    made, cells = _with_hands(np.zeros(len(table), int), np.where(layup == 1, 0.12, 0.05), 2, layup)
    found = _searched(made, cells)
    assert found.accused is not None
    assert (found.accused.level, found.accused.beside) == (Level.LAYUP, 1)


def test_a_bad_lane_is_accused_though_operators_change() -> None:
    table = _table()
    operator = (table[:, 2] // 2 + table[:, 1]) % 3
    found = _searched(*_with_hands(operator, np.where(table[:, 2] == 4, 0.25, 0.05), 3))
    assert found.accused is not None
    assert (found.accused.level, found.accused.lane) == (Level.LANE, 4)


def test_an_operator_who_never_leaves_a_bad_stringer_cannot_be_separated_from_it() -> None:
    table = _table()
    operator = table[:, 2] // 2
    made, cells = _with_hands(operator, np.where(operator == 2, 0.2, 0.05), 4)
    found = _searched(made, cells)
    assert (found.found, found.accused) == (True, None)
    assert found.best is not None
    sides = {(node.level, max(node.stringer, node.beside)) for node in (found.best, *found.rivals)}
    assert {(Level.STRINGER, 2), (Level.OPERATOR, 2)} <= sides
    told = lot_or_machine(made, cells, STRINGERS, np.array([0]), np.random.default_rng(0), permutations=999)
    assert (told.finding, told.suspect) == (Finding.CANNOT_BE_SEPARATED, told.machine.best)


@pytest.mark.parametrize("seed", range(3))
def test_hands_that_are_not_known_are_no_suspects(seed: int) -> None:
    table = _table()
    operator = np.where(table[:, 2] == 1, UNKNOWN, 0)
    found = _searched(*_with_hands(operator, np.where(operator == UNKNOWN, 0.25, 0.05), seed))
    assert found.accused is not None
    assert (found.accused.level, found.accused.lane) == (Level.LANE, 1)


def test_with_more_suspects_nobody_is_accused_the_more_often_without_a_cause() -> None:
    table, accused = _table(), 0
    operator, layup = (table[:, 2] // 2 + table[:, 1]) % 3, table[:, 0] % 2
    for seed in range(40):
        made, cells = _with_hands(operator, np.full(len(table), 0.06), 100 + seed, layup)
        accused += search(made, cells, STRINGERS, np.random.default_rng(seed), permutations=99).found
    assert accused <= 3  # 1 % of 40 is 0.4; more than 3 has a chance of 0.1 %
