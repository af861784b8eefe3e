"""Copper wire and the loaded coil against handbook values and closed forms."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log10

import pytest

from coilbench_worker.coil.circuit import Coil, Load, in_parallel, resonance
from coilbench_worker.coil.wire import at_temperature, diameter_of_gauge, resistance_per_metre, winding

Deviation = Callable[..., None]

ASTM = "ASTM B258, through secondary texts"
IEC60028 = "IEC 60028, through secondary texts"
CIRCUIT = "second-order circuit, worked out from its differential equation"
SIMULATOR = "published example of a circuit simulator's vendor, Q = R sqrt(C/L)"
FOOT_M = 0.3048

GAUGES = (
    (40, 0.07987, 3.4411),
    (41, 0.07113, 4.3392),
    (42, 0.06334, 5.4716),
    (43, 0.05641, 6.8996),
    (44, 0.05023, 8.7002),
)
ROWS = (
    (3.0, 120e-12, 6e3, 10e6, 8390.72, 0.02687, -0.0052, 8384.66, 25.392, 13030.6),
    (2.5, 610e-12, 6e3, in_parallel(250e3, 250e3, 1e6), 4184.13, 0.32625, -0.4568, 3712.15, 3.7403, 6004.98),
    (4.0, 700e-12, 8e3, in_parallel(500e3, 500e3, 1e6), 3067.31, 0.23720, -0.3407, 2889.58, 6.3879, 4574.81),
)


@pytest.mark.standard("bare diameter by gauge, AWG 40-44", ASTM, "", tolerance=5.1e-6, unit="mm")
@pytest.mark.standard("resistance of that wire at 20 C", IEC60028, "", tolerance=5.1e-5, unit="ohm per m")
@pytest.mark.parametrize(("awg", "diameter_mm", "ohm_per_m"), GAUGES)
def test_gauges_have_their_diameter_and_resistance(
    awg: int, diameter_mm: float, ohm_per_m: float, deviation: Deviation
) -> None:
    found = diameter_of_gauge(awg)
    deviation(found - diameter_mm, "bare diameter by gauge, AWG 40-44")
    deviation(resistance_per_metre(found) - ohm_per_m, "resistance of that wire at 20 C")


@pytest.mark.standard("1000 ft of AWG 40", "wire table, 1049 ohm", "", tolerance=0.51, unit="ohm")
def test_a_thousand_feet_of_gauge_40_are_those_of_the_wire_table(deviation: Deviation) -> None:
    deviation(resistance_per_metre(diameter_of_gauge(40)) * 1000 * FOOT_M - 1049)


@pytest.mark.standard("copper at 25, 30 and 15 C re 20 C", IEC60028, "", tolerance=1e-9, unit="of it")
@pytest.mark.parametrize(("temperature_c", "ratio"), [(25, 1.01965), (30, 1.0393), (15, 0.98035)])
def test_copper_rises_with_temperature(temperature_c: float, ratio: float, deviation: Deviation) -> None:
    deviation(at_temperature(1.0, temperature_c) - ratio)


@pytest.mark.standard("resistance of two windings", "worked examples, arithmetic", "", tolerance=0.051, unit="ohm")
@pytest.mark.parametrize(("turns", "mean_turn_mm", "awg", "ohm"), [(8000, 140, 42, 6128.2), (5000, 130, 43, 4484.7)])
def test_windings_have_the_resistance_of_their_wire(
    turns: float, mean_turn_mm: float, awg: float, ohm: float, deviation: Deviation
) -> None:
    found = winding(diameter_of_gauge(awg), turns, mean_turn_mm)
    deviation(found.resistance_ohm - ohm)
    assert found.low_ohm < found.resistance_ohm < found.high_ohm


@pytest.mark.standard("natural frequency of loaded coils", CIRCUIT, "", tolerance=1e-4, unit="of it")
@pytest.mark.standard("damping ratio of loaded coils", CIRCUIT, "", tolerance=2e-4, unit="of it")
@pytest.mark.standard("level at 0 Hz of loaded coils", CIRCUIT, "", tolerance=1e-4, unit="dB")
@pytest.mark.standard("frequency of the peak of loaded coils", CIRCUIT, "", tolerance=1e-4, unit="of it")
@pytest.mark.standard("height of the peak of loaded coils", CIRCUIT, "", tolerance=1e-3, unit="dB")
@pytest.mark.standard("-3.01 dB point of loaded coils", CIRCUIT, "", tolerance=1e-4, unit="of it")
@pytest.mark.parametrize("row", ROWS, ids=["open", "two 250 kohm pots", "two 500 kohm pots"])
def test_loaded_coils_are_those_of_the_circuit(row: tuple[float, ...], deviation: Deviation) -> None:
    inductance_h, capacitance_f, resistance_ohm, load_ohm, natural, damping, dc_db, peak_hz, peak_db, half_hz = row
    found = resonance(Coil(inductance_h, capacitance_f, resistance_ohm), Load(load_ohm))
    assert found.peak_hz is not None
    assert found.peak_db is not None
    deviation(found.natural_hz / natural - 1, "natural frequency of loaded coils")
    deviation(found.damping / damping - 1, "damping ratio of loaded coils")
    deviation(found.dc_db - dc_db, "level at 0 Hz of loaded coils")
    deviation(found.peak_hz / peak_hz - 1, "frequency of the peak of loaded coils")
    deviation(found.peak_db - peak_db, "height of the peak of loaded coils")
    deviation(found.minus3db_hz / half_hz - 1, "-3.01 dB point of loaded coils")


@pytest.mark.standard("10 uH, 0.1 uF, 7.0711 ohm", SIMULATOR, "", tolerance=1e-5, unit="of it")
def test_a_maximally_flat_circuit_is_at_its_half_power_point_where_it_resonates(deviation: Deviation) -> None:
    found = resonance(Coil(10e-6, 0.1e-6, 0.0), Load(7.0710678119))
    deviation(found.minus3db_hz / 159154.9 - 1)
    assert found.damping == pytest.approx(0.70711, abs=1e-5)


def test_an_open_coil_without_resistance_is_damped_by_nothing() -> None:
    found = resonance(Coil(2.0, 200e-12, 0.0), Load(inf))
    assert (found.damping, found.q, found.peak_db) == (0.0, None, None)
    assert found.natural_hz == pytest.approx(7958, abs=1)
    assert 20 * log10(found.dc_gain) == 0.0
