"""Summaries: None values are left out, and what needs two values is None below two."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench_worker.measure.results import Summary
from coilbench_worker.measure.statistics import standard_deviation, student_t, summary

VALUES = st.lists(st.floats(-200.0, 20_000.0, allow_nan=False), min_size=2, max_size=40)


def test_nothing_sums_up_to_nothing() -> None:
    empty = Summary(mean=None, sd=None, n=0, low=None, high=None, min=None, max=None)
    assert summary([]) == empty
    assert summary([None, None]) == empty


def test_one_value_has_no_spread() -> None:
    assert summary([None, -12.5]) == Summary(mean=-12.5, sd=None, n=1, low=None, high=None, min=-12.5, max=-12.5)


@given(values=VALUES, offset=st.floats(-50.0, 50.0))
def test_mean_lies_between_the_extremes_and_moves_with_an_offset(values: list[float], offset: float) -> None:
    result, moved = summary(values), summary([value + offset for value in values])
    assert result.mean is not None
    assert min(values) - 1e-9 <= result.mean <= max(values) + 1e-9
    assert result.low is not None
    assert result.high is not None
    assert result.low <= result.mean <= result.high
    assert moved.mean == pytest.approx(result.mean + offset, abs=1e-6)
    assert moved.sd == pytest.approx(result.sd, abs=1e-6)


@given(values=VALUES)
def test_values_left_out_change_nothing(values: list[float]) -> None:
    assert summary([None, *values, None]) == summary(values)


def test_equal_values_have_a_spread_of_nothing() -> None:
    assert summary([0.1] * 3).sd == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize(("degrees", "confidence"), [(0, 0.95), (3, 0.0), (3, 1.0)])
def test_student_t_out_of_range_is_an_error(degrees: int, confidence: float) -> None:
    with pytest.raises(ValueError, match="Student's t needs"):
        student_t(degrees, confidence)


def test_standard_deviation_of_one_value_is_an_error() -> None:
    with pytest.raises(ValueError, match="needs two values"):
        standard_deviation([1.0])
