"""A weighting against IEC 61672-1:2013 Table 3 (through two open transcriptions): the curve, and the noise measured."""

from collections.abc import Callable

import numpy as np
import pytest

from coilbench_worker.measure.noise import QuietStretches
from coilbench_worker.measure.weighting import a_weighting_db

IEC_61672 = "IEC 61672-1:2013"
RATES_HZ = (44_100, 48_000, 96_000, 192_000)

at_every_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)
Deviation = Callable[..., None]

TABLE_3 = [  # index n of the exact frequency 1000 x 10^(n/10) Hz, A in dB; the table is rounded to 0.1 dB
    *((-20, -70.4), (-17, -50.5), (-16, -44.7), (-15, -39.4), (-14, -34.6), (-13, -30.2), (-12, -26.2), (-11, -22.5)),
    *((-10, -19.1), (-9, -16.1), (-8, -13.4), (-7, -10.9), (-6, -8.6), (-5, -6.6), (-4, -4.8), (-3, -3.2), (-2, -1.9)),
    *((-1, -0.8), (0, 0.0), (1, 0.6), (2, 1.0), (3, 1.2), (4, 1.3), (5, 1.2), (6, 1.0), (7, 0.5), (8, -0.1)),
    *((9, -1.1), (10, -2.5), (11, -4.3), (12, -6.6), (13, -9.3)),
]


@pytest.mark.standard("A weighting, curve", IEC_61672, "Table 3, rounded to 0.1 dB", tolerance=0.05, unit="dB")
@pytest.mark.parametrize(("index", "expected_db"), TABLE_3)
def test_a_weighting_rounds_to_table_3(index: int, expected_db: float, deviation: Deviation) -> None:
    frequency_hz = np.array([1000.0 * 10 ** (index / 10)])
    deviation(float(a_weighting_db(frequency_hz)[0]) - expected_db)


def weighted_less_plain_db(samples: np.ndarray, rate_hz: int) -> float:
    """A-weighted level of a quiet stretch less its plain level."""
    quiet = QuietStretches(rate_hz)
    quiet.feed(samples)
    noise = quiet.noise()
    assert noise.noise_dbfs is not None
    assert noise.noise_dba_dbfs is not None
    return noise.noise_dba_dbfs - noise.noise_dbfs


@pytest.mark.standard("A-weighted sines, 31.5 Hz to 20 kHz", IEC_61672, "Table 3", tolerance=0.1, unit="dB")
@pytest.mark.standard("A-weighted sines, 10 to 25 Hz", IEC_61672, "Table 3", tolerance=0.5, unit="dB")
@at_every_rate
def test_a_weighted_level_of_a_sine_is_that_of_table_3(rate_hz: int, deviation: Deviation) -> None:
    """The bins are 1 Hz wide, which shows where the curve is steepest."""
    time_s = np.arange(rate_hz) / rate_hz
    for index, expected_db in TABLE_3:
        frequency_hz = 1000.0 * 10 ** (index / 10)
        found = weighted_less_plain_db(1e-3 * np.sin(2 * np.pi * frequency_hz * time_s), rate_hz)
        below = frequency_hz < 30.0
        deviation(found - expected_db, of=f"A-weighted sines, {'10 to 25 Hz' if below else '31.5 Hz to 20 kHz'}")


@pytest.mark.standard("A-weighted white noise", IEC_61672, "Annex E, -2.72 dB over 0-24 kHz", tolerance=0.1, unit="dB")
def test_white_noise_loses_2_72_db_at_48_khz(deviation: Deviation) -> None:
    """Computed from the formula; 20 s of noise."""
    noise = 1e-4 * np.random.default_rng(2).standard_normal(20 * 48_000)
    deviation(weighted_less_plain_db(noise, 48_000) + 2.72)
