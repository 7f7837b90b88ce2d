"""A desk of two panels, and the gate at the first of them."""

import pytest
from couriers import at_once
from memory_desk import MemoryDesk
from results import flag, result

from elinspect.records import Kind
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import GateState


def _flags():
    return (
        flag("m1", Kind.INACTIVE_AREA, "inactive_area.share", area_fraction=0.2, mode=None),
        flag("m2", Kind.CRACK, "crack.any", position=1),
        flag("m3", Kind.FINGER_INTERRUPTION, None, position=3, mode=None),
    )


@pytest.fixture
def desk() -> MemoryDesk:
    desk = MemoryDesk()
    desk.arrive("a", result(*_flags()))
    desk.arrive("b", result(serial="000124"))
    return desk


@pytest.fixture
def states() -> list[GateState]:
    return []


@pytest.fixture
def gate(desk: MemoryDesk, states: list[GateState]) -> GatePresenter:
    presenter = GatePresenter(desk, at_once, states.append)
    presenter.line.poll()
    presenter.picture_shown("a")
    presenter.cells_seen("a", 0)
    return presenter
