"""Comparisons against published examples and certified values."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import pytest

from coilbench_worker.compare.effect_size import hedges_g, small_sample_factor
from coilbench_worker.compare.holm import holm
from coilbench_worker.compare.observations import Takes
from coilbench_worker.compare.scatter import of_subject, pooled
from coilbench_worker.compare.welch import welch

Deviation = Callable[..., None]

SLEEP = "Student's sleep data, as R prints it"
HEDGES = "Hedges 1981, exact factor, worked out"
HOLM = "worked table of Holm's method, equal to statsmodels"
SIRSTV = "NIST StRD analysis of variance, SiRstv (certified)"
GUM = "JCGM 100:2008 (GUM) H.5 (128 and 43 uV from memory, worked out from its data)"

FIRST = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SECOND = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)
SILICON: Takes = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
DAY_MEANS_UV = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
DAY_SDS_UV = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


@pytest.mark.standard("Welch: t", SLEEP, "", tolerance=5.1e-5, unit="")
@pytest.mark.standard("Welch: degrees of freedom", SLEEP, "", tolerance=5.1e-4, unit="")
@pytest.mark.standard("Welch: p", SLEEP, "", tolerance=5.1e-6, unit="")
@pytest.mark.standard("Welch: 95 % interval", SLEEP, "", tolerance=5.1e-8, unit="h")
@pytest.mark.standard("Hedges' g", "checked by hand from the same data", "", tolerance=5.1e-6, unit="")
def test_students_sleep_data(deviation: Deviation) -> None:
    found = welch(SECOND, FIRST)
    low, high = found.interval(0.95)
    deviation(found.difference / found.standard_error + 1.8608, "Welch: t")
    deviation(found.degrees_of_freedom - 17.776, "Welch: degrees of freedom")
    deviation(found.p - 0.07939, "Welch: p")
    deviation(low + 3.3654832, "Welch: 95 % interval")
    deviation(high - 0.2054832, "Welch: 95 % interval")
    g = hedges_g(found)
    assert g is not None
    deviation(g + 0.79694, "Hedges' g")


@pytest.mark.standard("Hedges' factor J", HEDGES, "", tolerance=5.1e-7, unit="")
@pytest.mark.parametrize(
    ("degrees", "factor"),
    [(2, 0.564190), (3, 0.723601), (4, 0.797885), (6, 0.868627), (8, 0.902703), (18, 0.957646), (98, 0.992324)],
)
def test_the_correction_for_few_values_is_exact(degrees: float, factor: float, deviation: Deviation) -> None:
    deviation(small_sample_factor(degrees) - factor)


@pytest.mark.standard("adjusted p values", HOLM, "", tolerance=1e-12, unit="")
@pytest.mark.parametrize(
    ("p_values", "adjusted"),
    [
        ((0.01, 0.04, 0.03, 0.005), (0.03, 0.06, 0.06, 0.02)),
        ((0.01, 0.04, 0.20, 0.03, 0.005, 0.07), (0.05, 0.12, 0.20, 0.12, 0.03, 0.14)),
    ],
)
def test_adjusted_p_values_are_those_of_the_table(
    p_values: tuple[float, ...], adjusted: tuple[float, ...], deviation: Deviation
) -> None:
    for found, expected in zip(holm(p_values), adjusted, strict=True):
        deviation(found.adjusted - expected)


@pytest.mark.standard("F of one-way variances", SIRSTV, "", tolerance=1e-9, unit="of it")
@pytest.mark.standard("residual standard deviation", SIRSTV, "", tolerance=1e-10, unit="of it")
@pytest.mark.standard("between-group variance", "ISO 5725-2 formulas, same data", "", tolerance=1e-6, unit="of it")
def test_certified_analysis_of_variance(deviation: Deviation) -> None:
    found = pooled([of_subject(SILICON)])
    assert found.take_variance is not None
    deviation(5 * found.take_variance / found.strum_variance / 1.18046237440255 - 1, "F of one-way variances")
    deviation(sqrt(found.strum_variance) / 0.104076068334656 - 1, "residual standard deviation")
    deviation(found.between_variance / 3.909475e-4 - 1, "between-group variance")
    assert (found.free_takes, found.free_strums) == (4, 20)


@pytest.mark.standard("day and reading: s_a", GUM, "H.5.2", tolerance=0.51, unit="uV")
@pytest.mark.standard("day and reading: s_b", GUM, "H.5.2", tolerance=0.51, unit="uV")
@pytest.mark.standard("day and reading: F", GUM, "H.5.2", tolerance=0.02, unit="")
@pytest.mark.standard("day and reading: between days", GUM, "H.5.2", tolerance=0.51, unit="uV")
@pytest.mark.standard("standard deviation of the day means", GUM, "H.5.2", tolerance=0.51, unit="uV")
def test_days_and_readings_are_takes_and_strums(deviation: Deviation) -> None:
    """Each day's five readings are made to have the printed mean and standard deviation."""
    shape = (-2.0, -1.0, 0.0, 1.0, 2.0)
    scale = sqrt(4 / 10)
    days = tuple(
        tuple(mean + sd * scale * each for each in shape) for mean, sd in zip(DAY_MEANS_UV, DAY_SDS_UV, strict=True)
    )
    found = pooled([of_subject(days)])
    assert found.take_variance is not None
    deviation(sqrt(5 * found.take_variance) - 128, "day and reading: s_a")
    deviation(sqrt(found.strum_variance) - 85, "day and reading: s_b")
    deviation(5 * found.take_variance / found.strum_variance - 2.25, "day and reading: F")
    deviation(sqrt(found.between_variance) - 43, "day and reading: between days")
    deviation(sqrt(found.take_variance) - 57, "standard deviation of the day means")
