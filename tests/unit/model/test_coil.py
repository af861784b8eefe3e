"""The loaded coil against figures worked out elsewhere (second-order circuit, solved symbolically and numerically).

First row: a circuit-simulator vendor's published LC example (159.155 kHz; R = 7.071 ohm gives maximal flatness). The
other rows: arithmetic on the same circuit, checked with an independent symbolic solver. Tolerance 1e-4.
"""

import numpy as np
import pytest

from coilbench_worker.model.coil import Coil, Load, resonance

ROWS = {
    "published LC example": (Coil(10e-6, 0.1e-6, 0), Load(7.0711), 159154.9, 0.70711, 0.0, None, 0.0),
    "the same, 100 ohm": (Coil(10e-6, 0.1e-6, 0), Load(100), 159154.9, 0.05000, 0.0, 158756.6, 20.011),
    "open coil": (Coil(3, 120e-12, 6e3), Load(10e6), 8390.72, 0.02687, -0.0052, 8384.66, 25.392),
    "two 250 k pots and 1 M": (
        Coil(2.5, 110e-12, 6e3),
        Load(111111.1, 500e-12),
        4184.13,
        0.32625,
        -0.4568,
        3712.15,
        3.7403,
    ),
    "two 500 k pots and 1 M": (Coil(4, 200e-12, 8e3), Load(200e3, 500e-12), 3067.31, 0.23720, -0.3407, 2889.58, 6.3879),
}


@pytest.mark.parametrize(
    ("coil", "load", "natural_hz", "damping", "dc_db", "peak_hz", "peak_db"), ROWS.values(), ids=ROWS
)
def test_loaded_coil_has_the_resonance_worked_out_elsewhere(
    coil: Coil, load: Load, natural_hz: float, damping: float, dc_db: float, peak_hz: float | None, peak_db: float
) -> None:
    found = resonance(coil, load)
    assert found.natural_hz == pytest.approx(natural_hz, rel=1e-4)
    assert found.damping == pytest.approx(damping, rel=2e-4)
    assert 20 * np.log10(found.dc_gain) == pytest.approx(dc_db, abs=1e-4)
    if peak_hz is None:  # maximally flat: nowhere above the response at 0 Hz
        everywhere = found.magnitude(np.linspace(0, 2 * natural_hz, 1001))
        assert 20 * np.log10(np.max(everywhere)) == pytest.approx(dc_db, abs=1e-4)
    else:
        assert found.peak_hz == pytest.approx(peak_hz, rel=1e-4)
        height = found.magnitude(np.array([found.peak_hz]))
        assert 20 * np.log10(height[0]) == pytest.approx(peak_db, abs=1e-3)


@pytest.mark.parametrize(("coil", "load"), [(row[0], row[1]) for row in ROWS.values()], ids=ROWS)
def test_poles_and_residues_give_the_same_response_as_the_polynomial(coil: Coil, load: Load) -> None:
    found = resonance(coil, load)
    s = 2j * np.pi * found.natural_hz * np.array([0.1, 0.5, 1.0, 1.7, 5.0])
    (p1, p2), (r1, r2) = found.poles(), found.residues()
    capacitance = coil.capacitance_f + load.capacitance_f
    ratio, lost = 1 + coil.resistance_ohm / load.resistance_ohm, coil.inductance_h / load.resistance_ohm
    polynomial = 1 / (ratio + s * (lost + coil.resistance_ohm * capacitance) + s**2 * coil.inductance_h * capacitance)
    np.testing.assert_allclose(r1 / (s - p1) + r2 / (s - p2), polynomial, rtol=1e-9)
    np.testing.assert_allclose(found.at(s), polynomial, rtol=1e-9)


def test_coil_without_inductance_is_refused_with_its_values() -> None:
    with pytest.raises(ValueError, match="L 0 H"):
        resonance(Coil(0, 1e-10, 6e3), Load(1e6))
