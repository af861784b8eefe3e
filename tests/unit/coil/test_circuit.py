"""The loaded coil: laws that hold for every coil, and two other ways to the same response."""

from math import inf, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from coilbench_worker.coil.circuit import Coil, Load, in_parallel, resonance

COILS = st.builds(Coil, st.floats(0.5, 12.0), st.floats(20e-12, 400e-12), st.floats(500.0, 20e3))
LOADS = st.builds(Load, st.floats(20e3, 10e6), st.floats(0.0, 3e-9))
FACTORS = st.floats(0.1, 10.0)
HZ = np.geomspace(20.0, 40e3, 25)


def nodal(coil: Coil, load: Load, hz: float) -> complex:
    """The node's voltage from currents, solved as two linear equations: current through the coil, voltage at it."""
    s = 2j * pi * hz
    shunt = s * (coil.capacitance_f + load.capacitance_f) + 1 / load.resistance_ohm
    equations = np.array([[coil.resistance_ohm + s * coil.inductance_h, 1], [-1, shunt]])
    return complex(np.linalg.solve(equations, np.array([1, 0]))[1])


@settings(deadline=None, max_examples=40, derandomize=True)
@given(COILS, LOADS)
def test_closed_form_is_what_the_node_equations_give(coil: Coil, load: Load) -> None:
    found = resonance(coil, load)
    np.testing.assert_allclose(found.at(2j * pi * HZ), [nodal(coil, load, hz) for hz in HZ], rtol=1e-9)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(COILS, LOADS)
def test_poles_and_residues_give_the_same_response_as_scipys_transfer_function(coil: Coil, load: Load) -> None:
    found = resonance(coil, load)
    capacitance = coil.capacitance_f + load.capacitance_f
    polynomial = signal.TransferFunction(
        [1],
        [
            coil.inductance_h * capacitance,
            coil.inductance_h / load.resistance_ohm + coil.resistance_ohm * capacitance,
            1 + coil.resistance_ohm / load.resistance_ohm,
        ],
    )
    _, expected = signal.freqresp(polynomial, 2 * pi * HZ)
    s = 2j * pi * HZ
    (p1, p2), (r1, r2) = found.poles(), found.residues()
    np.testing.assert_allclose(found.at(s), expected, rtol=1e-9)
    np.testing.assert_allclose(r1 / (s - p1) + r2 / (s - p2), expected, rtol=1e-6)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(COILS, LOADS, FACTORS)
def test_scaling_every_impedance_changes_no_response(coil: Coil, load: Load, by: float) -> None:
    scaled = Coil(coil.inductance_h * by, coil.capacitance_f / by, coil.resistance_ohm * by)
    other = resonance(scaled, Load(load.resistance_ohm * by, load.capacitance_f / by))
    np.testing.assert_allclose(other.magnitude(HZ), resonance(coil, load).magnitude(HZ), rtol=1e-9)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(COILS, LOADS, FACTORS)
def test_smaller_inductance_and_capacitance_move_the_whole_response_up(coil: Coil, load: Load, by: float) -> None:
    moved = resonance(
        Coil(coil.inductance_h / by, coil.capacitance_f / by, coil.resistance_ohm),
        Load(load.resistance_ohm, load.capacitance_f / by),
    )
    before = resonance(coil, load)
    np.testing.assert_allclose(moved.magnitude(HZ * by), before.magnitude(HZ), rtol=1e-9)
    assert moved.minus3db_hz == pytest.approx(before.minus3db_hz * by, rel=1e-9)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(COILS, LOADS)
def test_peak_is_the_greatest_response_and_half_the_power_is_where_it_says(coil: Coil, load: Load) -> None:
    found = resonance(coil, load)
    everywhere = found.magnitude(np.linspace(0, 3 * found.natural_hz, 3001))
    if found.peak_hz is None:
        assert np.max(everywhere) == pytest.approx(found.dc_gain, rel=1e-12)
    else:
        assert found.peak_db is not None
        height = found.magnitude(np.array([found.peak_hz]))[0]
        assert 20 * np.log10(height) == pytest.approx(found.peak_db, abs=1e-9)
        assert np.max(everywhere) <= height * (1 + 1e-12)
    half = found.magnitude(np.array([found.minus3db_hz]))[0]
    assert half == pytest.approx(found.dc_gain / sqrt(2), rel=1e-9)


def test_order_of_parallel_loads_does_not_matter_and_no_resistor_changes_nothing() -> None:
    assert in_parallel(250e3, 500e3, 1e6) == pytest.approx(in_parallel(1e6, 250e3, 500e3), rel=1e-15)
    assert in_parallel(250e3, inf) == 250e3
    assert in_parallel() == inf
    with pytest.raises(ValueError, match="must be > 0 ohm"):
        in_parallel(250e3, 0.0)


def test_coil_that_nothing_loads_keeps_the_whole_source_at_0_hz() -> None:
    found = resonance(Coil(3.0, 120e-12, 6e3), Load(inf))
    assert found.dc_db == 0.0
    assert found.q is not None


def test_coil_that_nothing_damps_has_neither_q_nor_height() -> None:
    found = resonance(Coil(3.0, 120e-12, 0.0), Load(inf))
    assert found.q is None
    assert found.peak_db is None
    assert found.peak_hz == pytest.approx(found.natural_hz)


@pytest.mark.parametrize(
    ("coil", "load", "shown"),
    [
        (Coil(0.0, 1e-10, 6e3), Load(1e6), "L 0.0 H"),
        (Coil(2.0, 0.0, 6e3), Load(1e6), "C 0.0 F"),
        (Coil(2.0, 1e-10, -1.0), Load(1e6), "R -1.0 ohm"),
        (Coil(2.0, 1e-10, 6e3), Load(0.0), "load 0.0 ohm"),
        (Coil(float("nan"), 1e-10, 6e3), Load(1e6), "L nan H"),
        (Coil(2.0, 1e-10, 6e3), Load(float("nan")), "load nan ohm"),
    ],
)
def test_impossible_coil_is_refused_with_its_values(coil: Coil, load: Load, shown: str) -> None:
    with pytest.raises(ValueError, match=shown):
        resonance(coil, load)
