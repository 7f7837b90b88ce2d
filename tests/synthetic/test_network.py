"""The cell's network against textbook formulas, conservation, symmetry and refinement."""

import numpy as np
import pytest

from elinspect.frames import CellPlace
from elinspect.recipe import CellFormat, CutEdge
from elinspect.synthetic.defects import Crack, FingerInterruption, ShuntedCell, SolderFault
from elinspect.synthetic.laying import lay_crack, lay_fingers, lay_shunt, lay_solder_fault
from elinspect.synthetic.network import THERMAL_V, CellNetwork, Electrics

CELL = CellFormat(120.0, 120.0, busbars=2)
COPPER = {"ribbon_ohm_per_cm": 1e-7, "busbar_ohm_per_cm": 1e-6, "joint_ohm_cm": 1e-6}
"""Busbars and ribbons that lose nothing."""


def current_of(network: CellNetwork, junction: np.ndarray, rate: np.ndarray | float = 1.0) -> float:
    """Sum the current of all junctions over the full current."""
    density = network.electrics.saturation_a_per_cm2 * np.expm1(junction.astype(np.float64)) * rate
    return float((density * network.silicon).sum() * network.area_cm2 / network.current_a)


def test_thermal_voltage_is_that_of_the_constants() -> None:
    # CODATA 2019: k = 1.380649e-23 J/K, q = 1.602176634e-19 C, exact; 25 degrees C.
    assert pytest.approx(1.380649e-23 * 298.15 / 1.602176634e-19, rel=1e-6) == THERMAL_V


def test_a_finger_under_uniform_current_drops_as_the_textbook_says() -> None:
    """j p R l^2 / 2 from the busbar to a finger's end of length l.

    Voltage drop of a line with distributed current; e.g. Green, Solar Cells (1982), chapter on design of the top
    contact (book from memory; the formula is recomputed: integral of j p x R dx). Power loss: (j p)^2 R l^3 / 3, as on
    the page 'Finger Resistance' of PVCDROM (Honsberg and Bowden, pveducation.org; read).
    """
    made = Electrics(finger_ohm_per_cm=0.05, sheet_ohm=1e6, **COPPER)
    network = CellNetwork(CELL, made)
    junction = network.unbroken[:, network.columns // 2].astype(np.float64)
    busbar = network.busbar_rows[0]
    length_cm = network.y_mm[busbar] / 10
    pitch_cm = CELL.along_mm / network.columns / 10
    drop_v = made.current_a_per_cm2 * pitch_cm * made.finger_ohm_per_cm * length_cm**2 / 2
    assert (junction[busbar] - junction[0]) * THERMAL_V == pytest.approx(drop_v, rel=0.03)
    # The finger's loss: current flowing at distance x from the end is j p x.
    along = np.diff(junction[: busbar + 1]) * THERMAL_V
    node_cm = CELL.across_mm / network.rows / 10
    flowing = along / (made.finger_ohm_per_cm * node_cm)
    loss = float((flowing * along).sum())
    whole = made.current_a_per_cm2 * pitch_cm * length_cm
    assert loss == pytest.approx(whole**2 * made.finger_ohm_per_cm * length_cm / 3, rel=0.05)


def test_the_emitter_under_uniform_current_drops_as_the_textbook_says() -> None:
    """j Rs d^2 / 8 half way between two contacts at distance d (same source): busbars without fingers."""
    made = Electrics(finger_ohm_per_cm=1e9, sheet_ohm=0.02, current_a_per_cm2=0.01, **COPPER)
    network = CellNetwork(CELL, made)
    junction = network.unbroken[:, network.columns // 2].astype(np.float64)
    middle = (network.busbar_rows[0] + network.busbar_rows[1]) // 2
    drop_v = made.current_a_per_cm2 * made.sheet_ohm * 6.0**2 / 8
    assert (junction[network.busbar_rows[0]] - junction[middle]) * THERMAL_V == pytest.approx(drop_v, rel=0.08)


def test_the_emitter_loses_the_power_the_textbook_says() -> None:
    """Fraction Rs S^2 J / (12 V) between contacts at distance S.

    The usual example (PVCDROM, page 'Emitter Resistance', from memory; the figures read on a page that repeats it): 40
    ohms, 30 mA/cm2, 0.45 V; below 4 % takes a distance of less than 4 mm. At 4 mm the formula says 3.56 %. The fraction
    grows with the current; a thirtieth of it is taken here, so that the current stays uniform.
    """
    contacts = CellFormat(120.0, 120.0, busbars=30)
    network = CellNetwork(contacts, Electrics(finger_ohm_per_cm=1e9, sheet_ohm=40, current_a_per_cm2=0.001, **COPPER),
                          node_mm=0.25)  # fmt: skip
    upper, lower = network.busbar_rows[14:16]
    junction = network.unbroken[upper : lower + 1, network.columns // 2].astype(np.float64)
    pitch_cm, node_cm = contacts.along_mm / network.columns / 10, contacts.across_mm / network.rows / 10
    loss = float((np.diff(junction) ** 2).sum()) * THERMAL_V**2 / (40 * node_cm / pitch_cm)
    generated = 0.001 * pitch_cm * 0.4 * 0.45
    assert 30 * loss / generated == pytest.approx(0.0356, rel=0.03)


@pytest.mark.parametrize("share", [1.0, 0.1])
def test_all_current_leaves_through_the_junction(share: float) -> None:
    network = CellNetwork(CELL, Electrics())
    rate = np.exp(0.4 * np.random.default_rng(0).standard_normal(network.shape))
    for broken in (False, True):
        conducting = network.intact()
        if broken:
            lay_fingers(network, conducting, FingerInterruption(1, 1, CellPlace(0.3, 0.3), 5))
            lay_solder_fault(network, conducting, SolderFault(1, 1, 2))
        assert current_of(network, network.solve(conducting, rate, share), rate) == pytest.approx(share, rel=1e-4)


def test_luminance_of_a_uniform_cell_grows_with_the_current() -> None:
    """exp(dV / 25.693 mV): ten times the current of an ideal junction is 59.16 mV more (facts of the diode law)."""
    network = CellNetwork(CELL, Electrics(finger_ohm_per_cm=1e-6, sheet_ohm=0.01, **COPPER))
    full, tenth = network.unbroken, network.solve(network.intact(), current=0.1)
    assert float((full - tenth).mean()) * 1000 * THERMAL_V == pytest.approx(59.159, abs=0.01)


def test_an_unbroken_cell_is_its_own_mirror_image() -> None:
    network = CellNetwork(CellFormat(156.0, 156.0, busbars=3, chamfer_mm=20.0), Electrics())
    np.testing.assert_allclose(network.unbroken, network.unbroken[::-1], atol=1e-3)
    # Ribbons leave on the left in front and on the right behind: along them the cell is symmetrical too.
    whole = CellNetwork(CELL, Electrics(), inset_mm=0.0).unbroken
    np.testing.assert_allclose(whole, whole[:, ::-1], atol=0.02)


def test_a_finer_grid_changes_little() -> None:
    coarse, fine = (CellNetwork(CELL, Electrics(), node_mm=node) for node in (1.0, 0.33))
    assert fine.rows > 2.5 * coarse.rows
    for share in (0.05, 0.2, 0.5):
        values = [np.interp(share * CELL.across_mm, n.y_mm, n.unbroken[:, n.columns // 3]) for n in (coarse, fine)]
        assert values[0] == pytest.approx(values[1], abs=0.01)


def test_a_broken_finger_s_end_loses_four_times_as_much() -> None:
    """Fed from one end instead of two, a finger's drop goes from j p R d^2 / 8 to j p R d^2 / 2."""
    network = CellNetwork(CELL, Electrics(finger_ohm_per_cm=0.03, sheet_ohm=1e7, **COPPER))
    conducting = network.intact()
    upper, lower = network.busbar_rows
    conducting.finger[lower - 1] = 0.0
    column = network.columns // 2
    sound, broken = network.unbroken[:, column], network.solve(conducting)[:, column]
    middle = sound[upper] - sound[(upper + lower) // 2]
    end = broken[upper] - broken[lower - 1]
    assert end == pytest.approx(4 * middle, rel=0.1)


def test_the_emitter_feeds_a_broken_finger_from_its_neighbours() -> None:
    drops = []
    for sheet in (30.0, 120.0, 1e6):
        network = CellNetwork(CELL, Electrics(sheet_ohm=sheet, finger_ohm_per_cm=0.5))
        conducting = network.intact()
        lay_fingers(network, conducting, FingerInterruption(1, 1, CellPlace(0.5, 0.7), 1))
        drops.append(float((network.unbroken - network.solve(conducting)).max()))
    # What conducts beside the fingers hides the break.
    assert drops[0] < 0.8 * drops[1]
    assert drops[1] < 0.85 * drops[2]


def test_a_piece_cut_off_gives_no_light_and_the_rest_more() -> None:
    network = CellNetwork(CELL, Electrics())
    conducting = network.intact()
    line = tuple(CellPlace(u, 0.1) for u in np.linspace(0, 1, 20))
    lay_crack(network, conducting, Crack(1, 1, (line,), severed=1.0), np.random.default_rng(0))
    junction = network.solve(conducting)
    above = network.y_mm < 0.1 * CELL.across_mm - 1
    assert (network.unbroken - junction)[above].min() > 2.5
    assert current_of(network, junction) == pytest.approx(1.0, rel=1e-4)
    below = network.y_mm > 0.2 * CELL.across_mm
    assert np.median((junction - network.unbroken)[below]) == pytest.approx(-np.log(0.9), abs=0.03)


def test_fingers_touch_alike_over_the_length_asked_for() -> None:
    network = CellNetwork(CELL, Electrics())
    line = tuple(CellPlace(u, 0.4) for u in np.linspace(0, 1, 20))
    changes = []
    for alike_mm in (0.0, 40.0):
        crack, conducting = Crack(1, 1, (line,), severed=1.0, touching=0.5, alike_mm=alike_mm), network.intact()
        lay_crack(network, conducting, crack, np.random.default_rng(0))
        row = int(np.argmin(np.abs(network.y_mm - 0.4 * CELL.across_mm)))
        left = conducting.finger[row - 2 : row + 2].min(axis=0)
        assert (left > 0).mean() == pytest.approx(0.5, abs=0.15)
        changes.append(int(np.count_nonzero(np.diff(left > 0))))
    assert changes[1] < 0.4 * changes[0]


def test_a_slanting_cut_leaves_no_gap() -> None:
    """A closed line, at any slant, isolates what it encloses."""
    network = CellNetwork(CellFormat(120.0, 120.0, busbars=1), Electrics())
    for turn in np.linspace(0, np.pi / 2, 7):
        angle = turn + np.linspace(0, 2 * np.pi, 5)
        path = tuple(CellPlace(0.5 + 0.12 * np.cos(a), 0.22 + 0.12 * np.sin(a)) for a in angle)
        conducting = network.intact()
        lay_crack(network, conducting, Crack(1, 1, (path,), severed=1.0), np.random.default_rng(0))
        junction = network.solve(conducting)
        inside = np.hypot(network.x_mm[None] - 60, network.y_mm[:, None] - 0.22 * 120) < 0.07 * 120
        assert (network.unbroken - junction)[inside].min() > 2.5


def test_a_shunt_darkens_a_cell_most_at_low_current() -> None:
    network = CellNetwork(CELL, Electrics())
    conducting = network.intact()
    lay_shunt(network, conducting, ShuntedCell(1, 1, CellPlace(0.4, 0.4), ohm=3.0))
    drops = [
        np.mean(network.solve(network.intact(), current=i) - network.solve(conducting, current=i)) for i in (1, 0.1)
    ]
    assert 0 < drops[0] < 0.5 * drops[1]


def test_an_unsoldered_ribbon_shades_its_own_field() -> None:
    network = CellNetwork(CellFormat(156.0, 156.0, busbars=3), Electrics())
    conducting = network.intact()
    lay_solder_fault(network, conducting, SolderFault(1, 1, 2))
    drop = (network.unbroken - network.solve(conducting)).mean(axis=1)
    middle, outer = network.busbar_rows[1], network.busbar_rows[0]
    assert drop[middle] > 0.3
    assert drop[outer] < 0.05


@pytest.mark.parametrize("cut", [CutEdge.NONE, CutEdge.LEFT])
def test_chamfers_carry_no_current(cut: CutEdge) -> None:
    network = CellNetwork(CellFormat(80.0, 120.0, busbars=4, chamfer_mm=15.0, cut_edge=cut), Electrics())
    missing = ~network.silicon
    assert missing[0, -1]
    assert missing[0, 0] == (cut is CutEdge.NONE)
    share = (1 if cut is CutEdge.LEFT else 2) * 15.0**2 / (80 * 120)
    assert missing.mean() == pytest.approx(share, rel=0.1)


def test_figures_must_be_positive() -> None:
    with pytest.raises(ValueError, match="sheet_ohm"):
        Electrics(sheet_ohm=0)
    network = CellNetwork(CELL, Electrics())
    with pytest.raises(ValueError, match="busbar"):
        lay_solder_fault(network, network.intact(), SolderFault(1, 1, 3))
