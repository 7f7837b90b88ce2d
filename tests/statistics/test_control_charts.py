"""Control charts against the worked examples of the handbooks."""

import numpy as np
import pytest
from scipy.stats import geom

from elinspect.statistics.control_charts import c_chart, cusum, ewma, g_chart, p_chart, u_chart


def _points(flags: np.ndarray) -> list[int]:
    return (np.flatnonzero(flags) + 1).tolist()


def test_p_chart_as_published() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2: 30 wafers of 50 chips (mean and sizes read, counts from memory: their sum fits).
    counts = np.array(
        [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
    )
    chart = p_chart(counts, np.full(30, 50))
    assert (chart.centre[0], chart.high[0], chart.low[0]) == pytest.approx((0.2313, 0.41024, 0.05243), abs=4e-5)
    assert _points(chart.out) == [15, 23]
    kept = ~chart.out
    again = p_chart(counts[kept], np.full(28, 50))
    assert (again.centre[0], again.high[0], again.low[0]) == pytest.approx((0.2150, 0.3893, 0.0407), abs=5e-5)


def test_c_chart_as_published() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.1: 25 wafers (text and sizes read, counts from memory). Point 3 lies on the limit.
    counts = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    chart = c_chart(counts)
    assert (chart.centre[0], chart.high[0], chart.low[0]) == pytest.approx((16, 28, 4))
    assert _points(chart.out) == [24]


def test_second_c_chart_as_published() -> None:
    # Montgomery, Introduction to Statistical Quality Control, printed circuit boards (values from memory, recomputed).
    counts = np.array(
        [21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15]
    )
    chart = c_chart(counts)
    assert (chart.centre[0], chart.high[0], chart.low[0]) == pytest.approx((19.85, 33.21, 6.48), abs=6e-3)
    assert _points(chart.out) == [6, 20]
    again = c_chart(counts[~chart.out])
    assert (again.centre[0], again.high[0], again.low[0]) == pytest.approx((19.67, 32.97, 6.36), abs=6e-3)


def test_ewma_as_published() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4 (start and factor read, data from memory, recomputed).
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6]
    chart = ewma([*values, 52.4, 53.6, 52.1], 50.0, 2.0539, 0.3, settled=True)
    assert (chart.high[0], chart.low[0]) == pytest.approx((52.58843, 47.41157), abs=5e-6)
    expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38]
    assert chart.values == pytest.approx([*expected, 49.92, 50.73, 51.23, 51.94, 51.99], abs=6e-3)
    assert not chart.out.any()


def test_ewma_limits_start_narrow_and_settle() -> None:
    settled = ewma(np.zeros(60), 0.0, 1.0, 0.3, settled=True)
    exact = ewma(np.zeros(60), 0.0, 1.0, 0.3)
    assert exact.high[0] == pytest.approx(3 * 0.3)
    assert exact.high[-1] == pytest.approx(settled.high[-1])


def test_cusum_as_published() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3 (values from memory, recomputed).
    values = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625]
    values += [325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    found = cusum(values, 325, 0.3175, 4.1959)
    assert found.high[12:] == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=6e-3)
    assert found.first_signal == 13  # the 14th point
    assert (found.low.max(), int(found.low.argmax())) == (pytest.approx(0.72, abs=6e-3), 7)
    assert cusum([325.0] * 5, 325, 0.3175, 4.1959).first_signal is None


def test_varying_sizes_have_their_own_limits() -> None:
    chart = p_chart([10, 20, 5], [100, 200, 50])
    assert chart.centre.tolist() == pytest.approx([0.1] * 3)
    assert chart.high[2] > chart.high[0] > chart.high[1]
    assert u_chart([10, 20], [100, 200]).high[0] == pytest.approx(0.1 + 3 * np.sqrt(0.1 / 100))


def test_variation_between_days_widens_the_limits() -> None:
    chance = np.random.default_rng(3)
    sizes = np.full(400, 2000)
    counts = chance.binomial(sizes, np.clip(chance.normal(0.1, 0.03, 400), 0.01, 1))
    plain, widened = p_chart(counts, sizes), p_chart(counts, sizes, overdispersed=True)
    assert plain.out.mean() > 0.2
    assert widened.overdispersion > 3
    assert widened.out.mean() < 0.02
    calm = p_chart(chance.binomial(sizes, 0.1), sizes, overdispersed=True)
    assert calm.overdispersion == pytest.approx(1.0, abs=0.1)


def test_g_chart_limits_are_quantiles_of_the_geometric_distribution() -> None:
    chart = g_chart([40, 300, 2000], rate=0.01)
    beyond = geom(0.01, loc=-1)  # good units before the defective
    assert beyond.sf(chart.high[0]) <= 0.00135 < beyond.sf(chart.high[0] - 1)
    assert _points(chart.out) == [3]
    frequent = g_chart([0, 5], rate=1e-4)
    assert geom(1e-4, loc=-1).cdf(frequent.low[0] - 1) <= 0.00135 < geom(1e-4, loc=-1).cdf(frequent.low[0])
    assert frequent.out.all()


def test_false_signals_of_a_cusum_that_begins_anew() -> None:
    # Allowance 0.5, limit 5: 465 points between false signals (Montgomery's table, value from memory; Siegmund 1985,
    # 2.59, gives 469 by hand).
    values = np.random.default_rng(2).normal(size=300_000)
    found = cusum(values, 0.0, 0.5, 5.0, anew=True)
    signals = np.count_nonzero((found.high > 5) | (found.low > 5))
    assert len(values) / signals == pytest.approx(465, rel=0.12)
    again = cusum([0, 4, 4, 0, 4, 4], 0.0, 0.5, 5.0, anew=True)
    assert again.high.tolist() == [0, 3.5, 7.0, 0, 3.5, 7.0]
