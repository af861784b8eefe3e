"""Components and their combination, apart from the published examples (tests/standards/test_calibration.py)."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.statistics import summary
from coilbench_worker.measure.uncertainty import (
    Component,
    combined,
    coverage_factor,
    db_to_share,
    effective_degrees,
    expanded_mean,
    percent_to_db,
)


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_component_without_a_sensible_uncertainty_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="voltage of the tone: an uncertainty of"):
        Component("voltage of the tone", bad)


@pytest.mark.parametrize("bad", [0.0, 0.5, math.nan])
def test_component_without_degrees_of_freedom_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom; give 1 or more, or None"):
        Component("level", 0.1, bad)


def test_percent_and_db_are_each_others_inverse() -> None:
    assert percent_to_db(1.0) == pytest.approx(0.086859, abs=1e-6)
    assert db_to_share(percent_to_db(2.5)) == pytest.approx(0.025)


def test_nothing_uncertain_has_infinitely_many_degrees() -> None:
    assert effective_degrees([]) is None
    assert effective_degrees([(0.0, 3.0), (0.0, None)]) is None
    assert effective_degrees([(0.2, None), (0.1, None)]) is None
    assert effective_degrees([(1e-4, 3.0), (0.2, None)]) is None
    assert coverage_factor(None) == pytest.approx(1.959964, abs=1e-6)


def test_factor_of_broken_degrees_lies_between_its_neighbours_in_the_table() -> None:
    assert 3.1824 < coverage_factor(2.5) < 4.3027  # printed tables of Student's t for 3 and 2 degrees
    assert coverage_factor(1e9) == pytest.approx(1.959964, abs=1e-6)
    with pytest.raises(ValueError, match="degrees >= 1"):
        coverage_factor(0.9)


def test_one_component_keeps_its_degrees() -> None:
    assert effective_degrees([(0.3, 7.0)]) == pytest.approx(7.0)
    assert effective_degrees([(0.3, 7.0), (0.0, 2.0)]) == pytest.approx(7.0)


@given(
    st.lists(st.tuples(st.floats(1e-3, 10.0), st.floats(1.0, 200.0)), min_size=1, max_size=6),
)
@settings(deadline=None, max_examples=50, derandomize=True)
def test_effective_degrees_lie_between_the_least_and_the_sum(components: list[tuple[float, float]]) -> None:
    """GUM G.4.1, note: the sum of the degrees bounds the effective ones; the least is the other bound."""
    degrees = effective_degrees(components)
    assert degrees is not None
    assert min(each for _, each in components) * (1 - 1e-9) <= degrees
    assert degrees <= sum(each for _, each in components) * (1 + 1e-9)
    assert combined(u for u, _ in components) >= max(u for u, _ in components)


def test_without_a_scale_the_expanded_uncertainty_is_half_the_interval_of_the_mean() -> None:
    values = [201.0, 190.5, 214.2, 207.7]
    found, plain = expanded_mean(values, ()), summary(values)
    assert found is not None
    assert plain.high is not None
    assert plain.mean is not None
    assert found.expanded_uncertainty == pytest.approx(plain.high - plain.mean)
    assert found.degrees_of_freedom == pytest.approx(3.0)


def test_repetition_does_not_make_the_scale_more_certain() -> None:
    scale = (Component("stated full scale", percent_to_db(2.0)),)
    for count in (2, 20, 2000):
        found = expanded_mean([100.0, 100.0] * (count // 2), scale)
        assert found is not None
        assert found.standard_uncertainty == pytest.approx(2.0)
        assert found.expanded_uncertainty == pytest.approx(3.92, abs=0.001)
        assert found.degrees_of_freedom is None


@pytest.mark.parametrize("values", [[], [212.0]])
def test_below_two_values_repeatability_is_not_known_and_nothing_is_made_up(values: list[float]) -> None:
    assert expanded_mean(values, (Component("scale", 0.1),)) is None


def test_components_of_the_scale_that_share_degrees_are_combined_one_by_one() -> None:
    scale = (Component("voltage", percent_to_db(1.0)), Component("level", percent_to_db(0.5), 5))
    found = expanded_mean([100.0, 101.0, 99.0], scale)
    assert found is not None
    repeatability = 1.0 / math.sqrt(3)
    total = math.sqrt(repeatability**2 + 1.0 + 0.25)
    assert found.standard_uncertainty == pytest.approx(total)
    assert found.degrees_of_freedom == pytest.approx(total**4 / (repeatability**4 / 2 + 0.5**4 / 5))
