"""Coils and loads against closed forms, read from the whole circuit too; natural frequencies of L and C by table."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import pytest

from coilbench_worker.coil.circuit import Coil, Load, resonance
from coilbench_worker.coil.combination import WoundCoil, combined
from coilbench_worker.coil.controls import Controls, loaded

Deviation = Callable[..., None]

CIRCUIT = "second-order circuit, worked out symbolically and numerically"
HERTZ = {
    2.0: {80: 12582, 200: 7958, 500: 5033, 1000: 3559},
    4.0: {80: 8897, 200: 5627, 500: 3559, 1000: 2516},
    8.0: {80: 6291, 200: 3979, 500: 2516, 1000: 1779},
}
ROWS = {  # L H, C F, R ohm, controls; natural Hz, DC dB, peak Hz, peak dB, half power Hz
    "published LC example, 100 ohm": (
        Coil(10e-6, 0.1e-6, 0.0), Controls(resistance_ohm=100.0), 159154.9, 0.0, 158756.6, 20.011, 246853.5,
    ),
    "open coil": (
        Coil(3.0, 120e-12, 6e3), Controls(resistance_ohm=10e6), 8390.72, -0.0052, 8384.66, 25.392, 13030.6,
    ),
    "two 250 k pots and 1 M": (
        Coil(2.5, 110e-12, 6e3), Controls(250e3, tone_ohm=250e3, resistance_ohm=1e6, capacitance_f=500e-12),
        4184.13, -0.4568, 3712.15, 3.7403, 6004.98,
    ),
    "two 500 k pots and 1 M": (
        Coil(4.0, 200e-12, 8e3), Controls(500e3, tone_ohm=500e3, resistance_ohm=1e6, capacitance_f=500e-12),
        3067.31, -0.3407, 2889.58, 6.3879, 4574.81,
    ),
}  # fmt: skip
Row = tuple[Coil, Controls, float, float, float, float, float]


@pytest.mark.standard("natural frequency of L and C", "1/(2 pi sqrt(L C))", "", tolerance=0.51, unit="Hz")
@pytest.mark.parametrize("inductance_h", HERTZ)
def test_coils_that_nothing_loads_resonate_where_thomsons_formula_says(
    inductance_h: float, deviation: Deviation
) -> None:
    for capacitance_pf, hz in HERTZ[inductance_h].items():
        deviation(resonance(Coil(inductance_h, capacitance_pf * 1e-12, 0.0), Load(inf)).natural_hz - hz)


@pytest.mark.standard("natural frequency, whole circuit", CIRCUIT, "", tolerance=1e-5, unit="of it")
@pytest.mark.standard("level at 0 Hz, whole circuit", CIRCUIT, "", tolerance=1e-4, unit="dB")
@pytest.mark.standard("frequency of the peak, whole circuit", CIRCUIT, "", tolerance=1e-4, unit="of it")
@pytest.mark.standard("height of the peak, whole circuit", CIRCUIT, "", tolerance=1e-3, unit="dB")
@pytest.mark.standard("-3.01 dB point, whole circuit", CIRCUIT, "", tolerance=1e-4, unit="of it")
@pytest.mark.parametrize("row", ROWS.values(), ids=list(ROWS))
def test_whole_circuit_has_the_peak_and_half_power_of_the_closed_form(row: Row, deviation: Deviation) -> None:
    coil, controls, natural_hz, dc_db, peak_hz, peak_db, half_hz = row
    found = loaded(combined([WoundCoil(coil)]), controls).string
    ringing, peak, half = found.ringing(), found.peak(), found.half_power_hz()
    assert ringing is not None
    assert peak.hz is not None
    assert peak.db is not None
    assert half is not None
    assert found.dc_db is not None
    deviation(ringing.natural_hz / natural_hz - 1, "natural frequency, whole circuit")
    deviation(found.dc_db - dc_db, "level at 0 Hz, whole circuit")
    deviation(peak.hz / peak_hz - 1, "frequency of the peak, whole circuit")
    deviation(peak.db - peak_db, "height of the peak, whole circuit")
    deviation(half / half_hz - 1, "-3.01 dB point, whole circuit")
