"""Lines that go on beyond a busbar are one crack."""

import numpy as np
import pytest

from elinspect.detectors.crack_beyond import gone_on
from elinspect.detectors.crack_shape import CrackLine
from elinspect.records import Points
from elinspect.settings import CrackSettings

MM_PER_PX = 0.5
SETTINGS = CrackSettings()
BARS = np.zeros(200, bool)
BARS[98:103] = True


def _line(start: tuple[float, float], end: tuple[float, float], contrast: float = 0.05) -> CrackLine:
    length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
    points: Points = np.linspace(start, end, round(length / 1.5) + 1)
    return CrackLine(points, contrast, 0.8)


ABOVE = _line((50, 50), (92, 92))


def test_a_line_that_goes_on_beyond_a_busbar_is_one_with_it() -> None:
    beyond = _line((150, 150), (108, 108), 0.03)
    (both,) = gone_on([(0.5, ABOVE), (0.7, beyond)], BARS, MM_PER_PX, SETTINGS)
    assert both[0] == pytest.approx(1.2)
    assert both[1].contrast == 0.03
    assert both[1].length == pytest.approx(100 * np.sqrt(2), rel=0.01)
    assert np.linalg.norm(np.diff(both[1].points, axis=0), axis=1).max() < 1.6


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(_line((108, 92), (150, 134)), id="aside"),
        pytest.param(_line((108, 108), (112, 170)), id="another way"),
        pytest.param(_line((118, 118), (150, 150)), id="far"),
        pytest.param(_line((92, 112), (50, 154)), id="same side"),
    ],
)
def test_other_lines_stay_by_themselves(other: CrackLine) -> None:
    assert len(gone_on([(0.5, ABOVE), (0.7, other)], BARS, MM_PER_PX, SETTINGS)) == 2


def test_without_a_busbar_between_them_lines_stay_by_themselves() -> None:
    beyond = _line((108, 108), (150, 150))
    assert len(gone_on([(0.5, ABOVE), (0.7, beyond)], np.zeros(200, bool), MM_PER_PX, SETTINGS)) == 2
