"""The plant that runs as records."""

import numpy as np
import pytest

from elinspect.records import Kind, Layout
from elinspect.synthetic.plant_records import (
    FALSE_FLAG,
    SISTER_WAFERS,
    CauseOf,
    Change,
    PlantCause,
    RecordPlant,
    kinds_of,
    simulate_days,
)


def _flags(plant: RecordPlant, days: int = 4, seed: int = 1) -> list[np.ndarray]:
    run = list(simulate_days(plant, days, seed))
    return [np.concatenate([getattr(day, name) for day in run]) for name in ("flag_position", "flag_cause")]


def test_the_same_seed_gives_the_same_days() -> None:
    plant = RecordPlant(string_correlation=0.1)
    first, again, other = (next(simulate_days(plant, 1, seed)) for seed in (3, 3, 4))
    assert np.array_equal(first.flag_string, again.flag_string)
    assert not np.array_equal(first.flag_string, other.flag_string)


def test_rates_and_correlation_are_as_asked() -> None:
    plant = RecordPlant(string_correlation=0.1, panels_per_day=800)
    day = next(simulate_days(plant, 1, 2))
    n = plant.layout.cells_per_string
    counts = np.bincount(day.flag_string, minlength=len(day.lane))
    rate = counts.mean() / n
    assert rate == pytest.approx(0.01, rel=0.15)
    correlation = (counts.var() / (n * rate * (1 - rate)) - 1) / (n - 1)
    assert correlation == pytest.approx(0.1, abs=0.03)


def test_strings_come_lane_by_lane_in_the_order_they_were_built() -> None:
    day = next(simulate_days(RecordPlant(), 1, 5))
    assert np.all(np.diff(day.lane) >= 0)
    assert all(np.all(np.diff(day.built[day.lane == lane]) > 0) for lane in range(12))
    cells = np.stack([day.flag_string, day.flag_position])
    assert np.unique(cells, axis=1).shape == cells.shape
    panels = np.stack([day.panel, day.number_in_panel])
    assert np.unique(panels, axis=1).shape == panels.shape


def test_a_lane_cracks_cells_at_one_place_from_its_start_on() -> None:
    cause = PlantCause(CauseOf.LANE, 2.0, 10.0, 5, position=3, along=0.2, across=0.8)
    run = list(simulate_days(RecordPlant(causes=(cause,)), 4, 7))
    struck = [(day.number, day.flag_cause == 0, day) for day in run]
    assert not any(mask.any() for number, mask, _ in struck if number < 2)
    for number, mask, day in struck:
        if number >= 2:
            assert mask.sum() > 10
            assert set(day.lane[day.flag_string[mask]]) == {5}
            assert set(day.flag_position[mask]) == {3}
            assert day.flag_along[mask].mean() == pytest.approx(0.2, abs=0.05)


@pytest.mark.parametrize("of", list(CauseOf))
def test_every_cause_raises_the_rate_where_it_strikes(of: CauseOf) -> None:
    cause = PlantCause(of, 0.0, 8.0, 1)
    day = next(simulate_days(RecordPlant(causes=(cause,), panels_per_day=300), 1, 8))
    column = {CauseOf.LOT: day.lot, CauseOf.LAYUP: day.panel % 2, CauseOf.LAMINATOR: day.panel % 2}.get(of, day.lane)
    struck = column == 1
    counts = np.bincount(day.flag_string, minlength=len(day.lane))
    assert counts[struck].mean() > 5 * counts[~struck].mean()


def test_sisters_follow_each_other_at_one_place() -> None:
    plant = RecordPlant(rates={Kind.CRACK: 0.0}, sister_runs=1e-3)
    day = next(simulate_days(plant, 1, 9))
    assert np.all(day.flag_cause == SISTER_WAFERS)
    feed = day.flag_string * plant.layout.cells_per_string + day.flag_position
    neighbours = np.diff(feed) == 1
    assert neighbours.mean() > 0.5
    assert np.abs(np.diff(day.flag_along))[neighbours].max() < 0.1


def test_missed_and_false_flags_and_changes() -> None:
    day = next(simulate_days(RecordPlant(panels_per_day=800, missed=0.2, false_flags=0.25), 1, 10))
    false = day.flag_cause == FALSE_FLAG
    assert false.mean() == pytest.approx(0.2, abs=0.03)
    assert day.flag_proposed[false].all()
    assert not day.flag_confirmed[false].any()
    missed = ~day.flag_proposed[~false]
    assert missed.mean() == pytest.approx(0.2, abs=0.03)
    assert day.flag_confirmed[~false][missed].mean() == pytest.approx(0.5, abs=0.08)
    changed = RecordPlant(lines=2, model_changes=(Change(1.0, 3.0, 1),), panels_per_day=2000)
    before, after = simulate_days(changed, 2, 11)
    assert set(before.model) == {0}
    assert set(after.model[after.line == 1]) == {1}
    assert set(after.model[after.line == 0]) == {0}
    share = [np.mean(day.line[day.flag_string] == 1) for day in (before, after)]
    assert share == [pytest.approx(0.5, abs=0.05), pytest.approx(0.75, abs=0.05)]


def test_an_inspector_who_drifts_adds_cells_or_lets_them_go() -> None:
    eager, lax = (
        next(simulate_days(RecordPlant(inspector_drift=(Change(0.0, times),), panels_per_day=1500), 1, 12))
        for times in (2.0, 0.5)
    )
    assert (~eager.flag_proposed).mean() == pytest.approx(0.5, abs=0.05)
    assert eager.flag_confirmed.all()
    assert lax.flag_proposed.all()
    assert lax.flag_confirmed.mean() == pytest.approx(0.5, abs=0.05)
    assert len(eager.flag_string) == pytest.approx(2 * len(lax.flag_string), rel=0.1)


def test_what_makes_no_plant_is_a_bug() -> None:
    with pytest.raises(ValueError, match="divide"):
        RecordPlant(stringers=5, lines=2)
    assert kinds_of(RecordPlant(layout=Layout(2, 6, 12))) == (Kind.CRACK,)
