"""Student t intervals against printed tables and a published example."""

import math
from collections.abc import Callable

import pytest
from scipy import stats

from coilbench_worker.measure.statistics import student_t, summary

Deviation = Callable[..., None]

QUANTILES = [  # degrees of freedom, two-sided 95 % quantile: printed tables of Student's t, four decimals
    *((1, 12.7062), (2, 4.3027), (3, 3.1824), (4, 2.7764), (5, 2.5706), (6, 2.4469), (7, 2.3646), (8, 2.3060)),
    *((9, 2.2622), (10, 2.2281), (14, 2.1448), (19, 2.0930), (29, 2.0452)),
]


@pytest.mark.standard("Student's t, two-sided 95 %", "printed tables", "four decimals", tolerance=5e-5, unit="")
@pytest.mark.parametrize(("degrees", "expected"), QUANTILES)
def test_student_t_equals_the_printed_tables(degrees: int, expected: float, deviation: Deviation) -> None:
    deviation(student_t(degrees) - expected)


HALF_WIDTHS = [(3, 2.4841), (4, 1.5912), (5, 1.2417), (6, 1.0494), (8, 0.8360), (10, 0.7154)]  # in units of s, computed


@pytest.mark.standard("half width of a mean's interval", "computed", "t / sqrt n", tolerance=1e-4, unit="sd")
@pytest.mark.parametrize(("n", "expected"), HALF_WIDTHS)
def test_interval_of_a_mean_has_its_half_width(n: int, expected: float, deviation: Deviation) -> None:
    values = [float(value) for value in range(n)]
    result = summary(values)
    assert result.high is not None
    assert result.mean is not None
    assert result.sd is not None
    deviation((result.high - result.mean) / result.sd - expected)


@pytest.mark.standard("interval of three values", "Boost.Math", "after Miller and Miller", tolerance=2e-5, unit="")
def test_published_small_sample_interval(deviation: Deviation) -> None:
    """Boost.Math documentation after Miller and Miller: n = 3, mean 37.8, s = 0.964365 -> 35.40438 to 40.19562."""
    step = 0.964365
    result = summary([37.8 - step, 37.8, 37.8 + step])
    assert result.sd == pytest.approx(step, abs=1e-9)
    assert result.low is not None
    assert result.high is not None
    deviation(result.low - 35.40438)
    deviation(result.high - 40.19562)


@pytest.mark.standard("mean's interval and standard deviation", "scipy 1.17", "stats.t", tolerance=1e-9, unit="")
def test_summary_agrees_with_scipy(deviation: Deviation) -> None:
    values = [-12.3, -11.9, -12.8, -13.1, -12.2]
    result = summary(values)
    interval = stats.t.interval(0.95, 4, loc=sum(values) / 5, scale=stats.sem(values))
    assert result.low is not None
    assert result.high is not None
    assert result.sd is not None
    deviation(result.low - interval[0])
    deviation(result.high - interval[1])
    deviation(result.sd - math.sqrt(stats.tvar(values)))
