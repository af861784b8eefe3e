"""Wire: gauges and what they refuse, temperature there and back, turns and diameter from resistance."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.coil.tolerance import bounds_ohm_per_m
from coilbench_worker.coil.wire import (
    MIL_MM,
    at_20c,
    at_temperature,
    diameter_of_gauge,
    diameter_of_winding,
    resistance_per_metre,
    turns_of,
    winding,
)


def test_exact_and_rounded_gauges_differ_by_two_percent_of_the_resistance_at_most() -> None:
    shares = {
        awg: resistance_per_metre(diameter_of_gauge(awg, "rounded")) / resistance_per_metre(diameter_of_gauge(awg)) - 1
        for awg in (42, 43, 44)
    }
    assert shares[42] == pytest.approx(-0.005, abs=5e-4)
    assert shares[43] == pytest.approx(0.019, abs=5e-4)
    assert shares[44] == pytest.approx(-0.022, abs=5e-4)


def test_gauges_finer_than_44_keep_a_hundredth_of_a_mil() -> None:
    assert diameter_of_gauge(45, "rounded") / MIL_MM == pytest.approx(1.76)


def test_gauges_that_can_not_be_are_refused() -> None:
    assert diameter_of_gauge(42.5) < diameter_of_gauge(42)
    for awg in (-4.0, 60.0, float("nan")):
        with pytest.raises(ValueError, match="between -3"):
            diameter_of_gauge(awg)
    with pytest.raises(ValueError, match="whole gauges"):
        diameter_of_gauge(42.5, "rounded")


@settings(deadline=None, max_examples=50, derandomize=True)
@given(st.floats(1, 1e5), st.floats(-60, 150))
def test_resistance_at_20_c_is_found_back_from_any_temperature(ohm: float, temperature_c: float) -> None:
    assert at_20c(at_temperature(ohm, temperature_c), temperature_c) == pytest.approx(ohm, rel=1e-12)


@settings(deadline=None, max_examples=50, derandomize=True)
@given(st.floats(10, 20000), st.floats(0.03, 0.5), st.floats(20, 300))
def test_turns_and_diameter_are_found_back_from_the_resistance(
    turns: float, diameter_mm: float, mean_mm: float
) -> None:
    ohm = winding(diameter_mm, turns, mean_mm).resistance_20c_ohm
    assert turns_of(ohm, diameter_mm, mean_mm) == pytest.approx(turns, rel=1e-9)
    assert diameter_of_winding(ohm, turns, mean_mm) == pytest.approx(diameter_mm, rel=1e-9)


@settings(deadline=None, max_examples=80, derandomize=True)
@given(st.floats(0.0495, 0.1005))
def test_bounds_hold_the_nominal_resistance(diameter_mm: float) -> None:
    found = bounds_ohm_per_m(diameter_mm)
    assert found.low is not None
    assert found.high is not None
    assert found.low < resistance_per_metre(diameter_mm, "winding-wire") < found.high
    assert found.low < resistance_per_metre(diameter_mm) < found.high


def test_wire_without_a_known_tolerance_has_no_bounds_and_says_why() -> None:
    found = winding(0.2, 500, 100.0)
    assert (found.low_ohm, found.high_ohm, found.tolerance) == (None, None, None)
    assert found.reason is not None
    assert "0.050 to 0.100 mm" in found.reason


def test_bounds_of_a_gauge_are_at_the_temperature_of_the_winding() -> None:
    cold, warm = (winding(diameter_of_gauge(42), 8000, 140, at, awg=42) for at in (20.0, 30.0))
    assert cold.low_ohm is not None
    assert warm.low_ohm == pytest.approx(1.0393 * cold.low_ohm)


def test_what_is_no_winding_is_refused() -> None:
    with pytest.raises(ValueError, match="Turns and their mean length"):
        winding(0.06, 0, 100)
    with pytest.raises(ValueError, match="must be > 0 mm"):
        resistance_per_metre(0.0)
    with pytest.raises(ValueError, match="straight line"):
        at_temperature(1.0, -300.0)
    with pytest.raises(ValueError, match="must be > 0 ohm"):
        turns_of(0.0, 0.06, 100)
    with pytest.raises(ValueError, match="must be > 0 ohm"):
        diameter_of_winding(0.0, 8000, 100)
