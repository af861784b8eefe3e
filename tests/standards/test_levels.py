"""Levels and crest factors of waveforms that have closed forms."""

import math

import numpy as np
import pytest
from scipy.signal import sawtooth

from coilbench_worker.measure.levels import crest_db, peak_dbfs, rms_dbfs
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 48_000
TURNS = 997 * np.arange(2 * RATE_HZ) / RATE_HZ
TIME_S = np.arange(RATE_HZ) / RATE_HZ


def falling(time_constants: float) -> FloatArray:
    """exp(-t / tau) over a number of time constants."""
    return np.exp(-time_constants * TIME_S)


CREST = [  # what, samples, dB, tolerance; closed forms: square 1, sine sqrt 2, triangle sqrt 3, half-wave rectified 2
    ("direct current", np.full(RATE_HZ, 0.3), 0.0, 1e-9),
    ("square", np.sign(np.sin(2 * np.pi * 100 * (np.arange(RATE_HZ) + 0.5) / RATE_HZ)), 0.0, 1e-9),
    ("sine", np.sin(2 * np.pi * TURNS), 3.0103, 1e-3),
    ("full-wave rectified sine", np.abs(np.sin(2 * np.pi * TURNS)), 3.0103, 1e-3),
    ("half-wave rectified sine", np.maximum(np.sin(2 * np.pi * TURNS), 0.0), 6.0206, 1e-3),
    ("triangle", sawtooth(2 * np.pi * 100 * TIME_S, 0.5), 4.7712, 1e-3),
    ("uniform noise", np.random.default_rng(1).uniform(-1, 1, 20 * RATE_HZ), 4.771, 0.02),
    *(  # exponential over k time constants: 10 log10(2k / (1 - exp(-2k)))
        (f"exponential over {k} time constants", falling(k), 10 * math.log10(2 * k / (1 - math.exp(-2 * k))), 2e-3)
        for k in (1, 3, 5, 10)
    ),
]


@pytest.mark.parametrize(("what", "samples", "expected_db", "tolerance_db"), CREST, ids=[row[0] for row in CREST])
def test_crest_factor_of_known_waveforms(
    what: str, samples: FloatArray, expected_db: float, tolerance_db: float
) -> None:
    assert crest_db(samples) == pytest.approx(expected_db, abs=tolerance_db), what


def test_full_scale_sine_reads_0_dbfs_peak_and_minus_3_01_dbfs_rms() -> None:
    """Plain RMS; AES17 and IEC 61606 would call it 0 dB FS."""
    sine = np.sin(2 * np.pi * TURNS)
    assert peak_dbfs(sine) == pytest.approx(0.0, abs=1e-3)
    assert rms_dbfs(sine) == pytest.approx(-3.0103, abs=1e-3)
    assert rms_dbfs(0.5 * sine) == pytest.approx(-9.0309, abs=1e-3)


@pytest.mark.parametrize(("bits", "expected_dbfs"), [(16, -101.10), (24, -149.27)])
def test_quantiser_floor_of_plain_rounding(bits: int, expected_dbfs: float) -> None:
    """Step / sqrt 12, plain RMS re full scale."""
    samples = np.random.default_rng(3).uniform(-0.9, 0.9, 200_000)
    error = np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1) - samples
    assert rms_dbfs(error) == pytest.approx(expected_dbfs, abs=0.02)
