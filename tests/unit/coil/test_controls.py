"""The whole circuit of pots, capacitor, cable and input: the node equations, and what players know of the knobs."""

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.coil.circuit import Coil, Load, resonance
from coilbench_worker.coil.combination import WoundCoil, combined
from coilbench_worker.coil.controls import Controls, loaded
from coilbench_worker.coil.transfer import Transfer
from unit.coil.node_equations import solved

COILS = st.builds(Coil, st.floats(0.5, 12.0), st.floats(20e-12, 400e-12), st.floats(500.0, 20e3))
OHM = st.one_of(st.just(inf), st.floats(50e3, 2e6))
CONTROLS = st.builds(
    Controls,
    volume_ohm=OHM,
    volume_position=st.floats(0.02, 1.0),
    tone_ohm=OHM,
    tone_position=st.floats(0.0, 1.0),
    tone_capacitor_f=st.floats(1e-9, 100e-9),
    resistance_ohm=st.floats(100e3, 10e6),
    capacitance_f=st.floats(1e-12, 3e-9),
)
USUAL = Coil(2.5, 110e-12, 6e3)
HZ = np.geomspace(20.0, 20e3, 12)


def response(coil: Coil, controls: Controls) -> Transfer:
    return loaded(combined([WoundCoil(coil)]), controls).string


@settings(deadline=None, max_examples=60, derandomize=True)
@given(COILS, CONTROLS)
def test_whole_circuit_is_what_the_node_equations_give(coil: Coil, controls: Controls) -> None:
    found = response(coil, controls)
    expected = [solved([WoundCoil(coil)], controls, hz) for hz in HZ]
    np.testing.assert_allclose(found.at(2j * np.pi * HZ), expected, rtol=1e-5, atol=1e-5)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(COILS, st.floats(50e3, 1e6), st.floats(50e3, 1e6), st.floats(0.1, 1.0), st.floats(0.0, 2e-9))
def test_whole_circuit_reads_as_the_closed_form_where_that_applies(
    coil: Coil, volume_ohm: float, tone_ohm: float, tone_position: float, cable_f: float
) -> None:
    controls = Controls(
        volume_ohm, tone_ohm=tone_ohm, tone_position=tone_position, resistance_ohm=1e6, capacitance_f=cable_f
    )
    assert controls.simple is not None
    exact, found = resonance(coil, controls.simple), response(coil, controls)
    np.testing.assert_allclose(found.at(2j * np.pi * HZ), exact.at(2j * np.pi * HZ), rtol=1e-9)
    assert found.dc_db == pytest.approx(exact.dc_db, abs=1e-9)
    assert found.half_power_hz() == pytest.approx(exact.minus3db_hz, rel=1e-8)
    if exact.damping < 0.70:
        assert found.peak().hz == pytest.approx(exact.peak_hz, rel=1e-6)
        assert found.peak().db == pytest.approx(exact.peak_db, abs=1e-8)
    elif exact.damping > 0.71:
        assert found.peak().hz is None
    ringing = found.ringing()
    if ringing is not None:
        assert ringing.natural_hz == pytest.approx(exact.natural_hz, rel=1e-7)
        assert ringing.damping == pytest.approx(exact.damping, rel=1e-6)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(COILS, CONTROLS)
def test_no_frequency_stands_above_the_peak_and_the_first_half_power_is_found(coil: Coil, controls: Controls) -> None:
    found = response(coil, controls)
    hz = np.geomspace(1.0, 100e3, 4000)
    heights = found.magnitude(hz)
    peak, half_hz = found.peak(), found.half_power_hz()
    if peak.hz is None:
        assert peak.reason
        assert np.max(heights) <= abs(found.dc_gain) * (1 + 1e-6)
    else:
        assert peak.db is not None
        assert 20 * np.log10(np.max(heights)) <= peak.db + 1e-9
        assert 20 * np.log10(found.magnitude(np.array([peak.hz]))[0]) == pytest.approx(peak.db, abs=1e-7)
    assert half_hz is not None
    half = abs(found.dc_gain) / np.sqrt(2)
    assert found.magnitude(np.array([half_hz]))[0] == pytest.approx(half, rel=1e-6)
    assert np.all(heights[hz < half_hz * (1 - 1e-6)] >= half * (1 - 1e-6))


def test_turning_the_volume_down_with_a_cable_takes_top_off() -> None:
    """Common practice, no source: players hear it, and treble bleeds are sold against it."""
    full, half = (
        response(USUAL, Controls(250e3, position, resistance_ohm=1e6, capacitance_f=500e-12)) for position in (1.0, 0.5)
    )
    hz = np.array([100.0, 3700.0])
    (low, high), (low_half, high_half) = full.magnitude(hz), half.magnitude(hz)
    assert low_half / low < 0.6
    assert high_half / low_half < high / low


def test_closed_tone_control_moves_the_resonance_down_to_its_capacitor() -> None:
    closed = response(
        USUAL, Controls(tone_ohm=250e3, tone_position=0.0, tone_capacitor_f=22e-9, resistance_ohm=1e6)
    ).ringing()
    assert closed is not None
    assert closed.natural_hz == pytest.approx(1 / (2 * np.pi * np.sqrt(2.5 * 22.11e-9)), rel=0.01)


def test_volume_at_zero_is_silent_and_says_so() -> None:
    found = response(USUAL, Controls(250e3, 0.0, resistance_ohm=1e6, capacitance_f=500e-12))
    assert found.silent
    assert found.dc_db is None
    assert found.half_power_hz() is None
    assert found.peak().reason == "Nothing comes out at any frequency."
    assert found.level_db(HZ) == [None] * len(HZ)


def test_resonance_that_nothing_damps_has_a_frequency_and_no_height() -> None:
    peak = response(Coil(3.0, 120e-12, 0.0), Controls()).peak()
    assert peak.hz == pytest.approx(8388.20, rel=1e-5)
    assert peak.db is None
    assert peak.reason
    assert "no limit" in peak.reason


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"volume_ohm": 0.0}, "volume_ohm must be > 0"),
        ({"volume_position": 1.1}, "between 0 and 1"),
        ({"capacitance_f": -1e-12}, "capacitance_f"),
        ({"tone_capacitor_f": 0.0}, "tone_capacitor_f"),
        ({"tone_ohm": 250e3, "tone_position": 0.0}, "short circuit"),
    ],
)
def test_impossible_controls_are_refused(values: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Controls(**values)


def test_circuit_without_any_capacitance_is_refused() -> None:
    with pytest.raises(ValueError, match="needs capacitance"):
        response(Coil(2.0, 0.0, 6e3), Controls(resistance_ohm=1e6))


def test_pole_that_nothing_damps_is_no_error_and_half_power_lies_above_it() -> None:
    found = response(Coil(2.5, 140e-12, 0.0), Controls())
    assert np.isinf(found.at(np.array([1j * found.scale_rad_per_s]))[0])
    assert found.half_power_hz() == pytest.approx(resonance(Coil(2.5, 140e-12, 0.0), Load(inf)).minus3db_hz, rel=1e-9)
