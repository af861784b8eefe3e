"""A weighting against IEC 61672-1:2013 Table 3 (through two open transcriptions)."""

import numpy as np
import pytest

from coilbench_worker.measure.noise import QuietStretches
from coilbench_worker.measure.weighting import a_weighting_db

TABLE_3 = [  # index n of the exact frequency 1000 x 10^(n/10) Hz, A in dB; the table is rounded to 0.1 dB
    *((-20, -70.4), (-17, -50.5), (-16, -44.7), (-15, -39.4), (-14, -34.6), (-13, -30.2), (-12, -26.2), (-11, -22.5)),
    *((-10, -19.1), (-9, -16.1), (-8, -13.4), (-7, -10.9), (-6, -8.6), (-5, -6.6), (-4, -4.8), (-3, -3.2), (-2, -1.9)),
    *((-1, -0.8), (0, 0.0), (1, 0.6), (2, 1.0), (3, 1.2), (4, 1.3), (5, 1.2), (6, 1.0), (7, 0.5), (8, -0.1)),
    *((9, -1.1), (10, -2.5), (11, -4.3), (12, -6.6), (13, -9.3)),
]


@pytest.mark.parametrize(("index", "expected_db"), TABLE_3)
def test_a_weighting_rounds_to_table_3(index: int, expected_db: float) -> None:
    frequency_hz = np.array([1000.0 * 10 ** (index / 10)])
    assert round(float(a_weighting_db(frequency_hz)[0]), 1) == pytest.approx(expected_db, abs=1e-9)


def test_white_noise_loses_2_72_db_at_48_khz() -> None:
    """Ideal white noise over 0-24 kHz: -2.72 dB, computed from the formula of Annex E; 20 s of noise: 0.1 dB."""
    quiet = QuietStretches(48_000)
    quiet.feed(1e-4 * np.random.default_rng(2).standard_normal(20 * 48_000))
    noise = quiet.noise()
    assert noise.noise_dbfs is not None
    assert noise.noise_dba_dbfs is not None
    assert noise.noise_dba_dbfs - noise.noise_dbfs == pytest.approx(-2.72, abs=0.1)
