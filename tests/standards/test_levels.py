"""Levels and crest factors of waveforms that have closed forms."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import sawtooth

from coilbench_worker.measure.levels import crest_db, peak_dbfs, rms_dbfs
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 48_000
CLOSED_FORM = "closed form"
Deviation = Callable[..., None]

TURNS = 997 * np.arange(2 * RATE_HZ) / RATE_HZ
TIME_S = np.arange(RATE_HZ) / RATE_HZ


def falling(time_constants: float) -> FloatArray:
    """exp(-t / tau) over a number of time constants."""
    return np.exp(-time_constants * TIME_S)


CREST = [  # what, samples, dB; closed forms: square 1, sine sqrt 2, triangle sqrt 3, half-wave rectified 2
    ("direct current", np.full(RATE_HZ, 0.3), 0.0),
    ("square", np.sign(np.sin(2 * np.pi * 100 * (np.arange(RATE_HZ) + 0.5) / RATE_HZ)), 0.0),
    ("sine", np.sin(2 * np.pi * TURNS), 3.0103),
    ("full-wave rectified sine", np.abs(np.sin(2 * np.pi * TURNS)), 3.0103),
    ("half-wave rectified sine", np.maximum(np.sin(2 * np.pi * TURNS), 0.0), 6.0206),
    ("triangle", sawtooth(2 * np.pi * 100 * TIME_S, 0.5), 4.7712),
    ("uniform noise", np.random.default_rng(1).uniform(-1, 1, 20 * RATE_HZ), 4.771),
    *(  # exponential over k time constants: 10 log10(2k / (1 - exp(-2k)))
        (f"exponential over {k} time constants", falling(k), 10 * math.log10(2 * k / (1 - math.exp(-2 * k))))
        for k in (1, 3, 5, 10)
    ),
]


@pytest.mark.standard("crest factor of waveforms", CLOSED_FORM, "peak over RMS", tolerance=0.002, unit="dB")
@pytest.mark.standard("crest factor of noise", CLOSED_FORM, "uniform: sqrt 3", tolerance=0.02, unit="dB")
@pytest.mark.parametrize(("what", "samples", "expected_db"), CREST, ids=[row[0] for row in CREST])
def test_crest_factor_of_known_waveforms(
    what: str, samples: FloatArray, expected_db: float, deviation: Deviation
) -> None:
    measured = crest_db(samples)
    assert measured is not None
    deviation(measured - expected_db, of=f"crest factor of {'noise' if 'noise' in what else 'waveforms'}")


@pytest.mark.standard("peak of a full-scale sine", CLOSED_FORM, "0 dBFS", tolerance=0.001, unit="dB")
@pytest.mark.standard("RMS of a full-scale sine", CLOSED_FORM, "-3.0103 dBFS, plain RMS", tolerance=0.001, unit="dB")
def test_full_scale_sine_reads_0_dbfs_peak_and_minus_3_01_dbfs_rms(deviation: Deviation) -> None:
    """Plain RMS; AES17 and IEC 61606 would call it 0 dB FS."""
    sine = np.sin(2 * np.pi * TURNS)
    peak, rms, half = peak_dbfs(sine), rms_dbfs(sine), rms_dbfs(0.5 * sine)
    assert peak is not None
    assert rms is not None
    assert half is not None
    deviation(peak, of="peak of a full-scale sine")
    deviation(rms + 3.0103, of="RMS of a full-scale sine")
    deviation(half + 9.0309, of="RMS of a full-scale sine")


@pytest.mark.standard("RMS of rounding to 16 and 24 bits", CLOSED_FORM, "step / sqrt 12", tolerance=0.02, unit="dB")
@pytest.mark.parametrize(("bits", "expected_dbfs"), [(16, -101.10), (24, -149.27)])
def test_quantiser_floor_of_plain_rounding(bits: int, expected_dbfs: float, deviation: Deviation) -> None:
    """Plain RMS re full scale."""
    samples = np.random.default_rng(3).uniform(-0.9, 0.9, 200_000)
    measured = rms_dbfs(np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1) - samples)
    assert measured is not None
    deviation(measured - expected_dbfs)
