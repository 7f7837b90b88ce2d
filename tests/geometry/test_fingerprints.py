"""Fingerprints over real cells photographed again: the same cells are known again, others are not."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from re_exposed import Retake, prints_of
from real_cells import FREE_PANELS, free_cells, wafer_of

from elinspect.geometry import CellMatch, PanelMatch, rematched
from elinspect.geometry.fingerprint import fingerprints_from, unpacked
from elinspect.records import Fingerprints

MONO, MULTI = 4, 5


def crops(panel: int) -> np.ndarray:
    first, last = FREE_PANELS[panel]
    return free_cells(range(first, last + 1))


@pytest.fixture(scope="module")
def twice() -> dict[int, tuple[Fingerprints, Fingerprints]]:
    rng = np.random.default_rng(3)
    how = Retake(30), Retake(30, scale=0.8)
    return {panel: (prints_of(crops(panel), how[0], rng), prints_of(crops(panel), how[1], rng)) for panel in (4, 5, 7)}


def with_cells(prints: Fingerprints, other: Fingerprints, places: dict[int, int]) -> Fingerprints:
    codes = list(prints.codes)
    for place, source in places.items():
        codes[place] = other.codes[source]
    return Fingerprints(prints.shape, tuple(codes))


def test_the_panels_are_one_of_each_wafer() -> None:
    assert (wafer_of(MONO), wafer_of(MULTI), wafer_of(7)) == ("mono", "poly", "poly")


@pytest.mark.parametrize("panel", [MONO, MULTI])
def test_untouched_cells_are_known_again(twice: dict, panel: int) -> None:
    answer = rematched(*twice[panel])
    assert answer.verdict is PanelMatch.BELONGS
    counts = Counter(answer.cells)
    assert counts[CellMatch.SAME] >= 0.9 * len(answer.cells)
    assert counts[CellMatch.OTHER] == 0


@pytest.mark.parametrize("panel", [MONO, MULTI])
def test_what_was_to_be_replaced_is_checked(twice: dict, panel: int) -> None:
    before, after = twice[panel]
    replaced = {3: 20, 17: 41}
    done = with_cells(after, twice[7 if panel == MULTI else MULTI][1], replaced)
    good = rematched(before, done, replaced)
    assert (good.verdict, good.still_there, good.changed) == (PanelMatch.BELONGS, (), ())
    left = rematched(before, after, replaced)
    assert (left.verdict, left.still_there) == (PanelMatch.NOT_AS_REPLACED, (3, 17))
    wrong = rematched(before, done, {4, 18})
    assert wrong.verdict is PanelMatch.NOT_AS_REPLACED
    assert set(wrong.changed) == {3, 17}
    assert set(wrong.still_there) <= {4, 18}
    assert wrong.message.values == {"still_there": len(wrong.still_there), "changed": 2}


def test_another_panel_does_not_belong_to_the_serial(twice: dict) -> None:
    assert rematched(twice[MULTI][0], twice[7][1]).verdict is PanelMatch.NOT_THIS_PANEL


@pytest.mark.parametrize("panel", [MONO, MULTI])
def test_a_panel_turned_by_half_a_turn_is_said_to_be(twice: dict, panel: int) -> None:
    before, _ = twice[panel]
    rng = np.random.default_rng(5)
    turned = prints_of(crops(panel)[::-1, ::-1, ::-1], Retake(30), rng)
    assert rematched(before, turned).verdict is PanelMatch.TURNED


def test_too_few_cells_say_nothing(twice: dict) -> None:
    before, after = (Fingerprints(prints.shape, prints.codes[:6]) for prints in twice[MULTI])
    assert rematched(before, after).verdict is PanelMatch.CANNOT_TELL
    dark = Fingerprints(before.shape, (b"",) * 60)
    assert rematched(twice[MULTI][0], dark).verdict is PanelMatch.CANNOT_TELL


def test_noise_is_not_known_again() -> None:
    rng = np.random.default_rng(6)
    one, other = (
        fingerprints_from(rng.normal(0, 0.05, (20, 200, 200)).astype(np.float32), np.ones(20, bool)) for _ in "ab"
    )
    assert rematched(one, other).verdict is PanelMatch.NOT_THIS_PANEL


@pytest.mark.parametrize(("size", "shape"), [((300, 300), (24, 24)), ((350, 175), (34, 17)), ((120, 360), (14, 42))])
def test_the_shape_follows_the_cut(size: tuple[int, int], shape: tuple[int, int]) -> None:
    cells = np.random.default_rng(7).normal(0, 0.1, (9, *size)).astype(np.float32)
    prints = fingerprints_from(cells, np.arange(9) != 4)
    assert prints.shape == shape
    assert [len(code) for code in prints.codes] == [0 if k == 4 else -(-shape[0] * shape[1] // 4) for k in range(9)]
    rows = unpacked(prints)
    assert np.allclose(np.linalg.norm(rows, axis=1), [0 if k == 4 else 1 for k in range(9)], atol=1e-5)
    assert np.allclose(rows.mean(axis=1), 0, atol=1e-6)


@given(st.floats(0.02, 50), st.integers(0, 11))
@settings(max_examples=10, deadline=None)
def test_gain_changes_nothing(gain: float, cell: int) -> None:
    logs = np.log(crops(MULTI).astype(np.float32)[:12, ::2, ::2] + 1)
    brighter = logs.copy()
    brighter[cell] += np.float32(np.log(gain))
    lit = np.ones(12, bool)
    alike = unpacked(fingerprints_from(brighter, lit)) * unpacked(fingerprints_from(logs, lit))
    # Rounding turns a place or two of 576 that lie on a threshold.
    assert alike.sum(axis=1).min() > 0.99
