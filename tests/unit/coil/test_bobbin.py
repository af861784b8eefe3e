"""Bobbins: geometry, turns from resistance and back, and what the trade knows of windings."""

from math import pi

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.coil.bobbin import Bobbin, turns_on, wound
from coilbench_worker.coil.wire import diameter_of_gauge, winding

SINGLE = Bobbin(core_length_mm=56.0, core_width_mm=5.0, height_mm=11.0, depth_mm=4.5)
"""A flat bobbin of a single coil: common practice, no source."""
AWG_42 = diameter_of_gauge(42)


def resistance_of(bobbin: Bobbin, diameter_mm: float, turns: float) -> float:
    return winding(diameter_mm, turns, wound(bobbin, diameter_mm, turns).mean_turn_mm).resistance_20c_ohm


def test_core_with_round_ends_is_as_long_around_as_two_straights_and_a_circle() -> None:
    assert SINGLE.first_turn_mm == pytest.approx(2 * 51.0 + pi * 5.0)
    square = Bobbin(50.0, 10.0, 10.0, 5.0, corner_radius_mm=0.0)
    assert square.first_turn_mm == pytest.approx(120.0)


def test_mean_turn_is_half_way_up_the_winding() -> None:
    found = wound(SINGLE, AWG_42, 8000)
    assert found.mean_turn_mm == pytest.approx((SINGLE.first_turn_mm + found.last_turn_mm) / 2)
    assert found.mean_turn_mm == pytest.approx(SINGLE.first_turn_mm + pi * found.depth_mm)
    assert found.layers == pytest.approx(8000 / found.turns_per_layer, abs=1)


def test_turns_that_fit_fill_the_room_and_one_more_does_not_fit() -> None:
    most = wound(SINGLE, AWG_42, 8000).fit_turns
    assert wound(SINGLE, AWG_42, most).fits
    assert wound(SINGLE, AWG_42, most).depth_mm == pytest.approx(SINGLE.depth_mm, rel=1e-3)
    assert not wound(SINGLE, AWG_42, most + 1).fits


def test_plain_single_coil_of_8000_turns_has_about_6_kohm_and_fits() -> None:
    """A fact of the trade: common practice, no source."""
    assert resistance_of(SINGLE, AWG_42, 8000) == pytest.approx(6000, rel=0.1)
    assert wound(SINGLE, AWG_42, 8000).fits


def test_hot_twin_coil_of_thinner_wire_has_about_14_kohm() -> None:
    """A fact of the trade: common practice, no source. Two bobbins in series, AWG 43, 7,500 turns each."""
    twin = Bobbin(core_length_mm=60.0, core_width_mm=5.5, height_mm=6.5, depth_mm=6.5)
    assert 2 * resistance_of(twin, diameter_of_gauge(43), 7500) == pytest.approx(14000, rel=0.1)


def test_space_factor_of_neat_squares_is_copper_over_the_square() -> None:
    found = wound(SINGLE, 0.06, 1000, overall_mm=0.07, packing=1.0)
    assert found.space_factor == pytest.approx(pi / 4 * 0.06**2 / 0.07**2)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.floats(100, 20000), st.floats(0.04, 0.1), st.floats(30, 80), st.floats(3, 15))
def test_turns_from_resistance_are_those_that_were_wound(
    turns: float, diameter_mm: float, length_mm: float, height_mm: float
) -> None:
    bobbin = Bobbin(length_mm, 5.0, height_mm, 5.0)
    found = wound(bobbin, diameter_mm, turns)
    ohm = winding(diameter_mm, turns, found.mean_turn_mm).resistance_20c_ohm
    assert turns_on(bobbin, ohm, diameter_mm) == pytest.approx(turns, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"core_length_mm": 0.0}, "must be > 0"),
        ({"core_width_mm": 60.0}, "at least as long"),
        ({"corner_radius_mm": 3.0}, "from 0 to half its width"),
    ],
)
def test_impossible_bobbin_is_refused(values: dict[str, float], message: str) -> None:
    sizes = {"core_length_mm": 56.0, "core_width_mm": 5.0, "height_mm": 11.0, "depth_mm": 4.5}
    with pytest.raises(ValueError, match=message):
        Bobbin(**{**sizes, **values})


def test_impossible_windings_are_refused() -> None:
    with pytest.raises(ValueError, match="Turns must be > 0"):
        wound(SINGLE, AWG_42, 0)
    with pytest.raises(ValueError, match="at least as thick as bare"):
        wound(SINGLE, AWG_42, 100, overall_mm=0.01)
    with pytest.raises(ValueError, match="packing"):
        wound(SINGLE, AWG_42, 100, packing=1.2)
    with pytest.raises(ValueError, match="must be > 0 ohm"):
        turns_on(SINGLE, 0.0, AWG_42)
    with pytest.raises(ValueError, match="must be > 0 mm"):
        wound(SINGLE, 0.0, 100)
