"""True peak against EBU Tech 3341 (11/2023) Table 1, cases 15 to 23: +0.2/-0.4 dB, at four sample rates.

The signals follow Table 1 with the amplitudes of the published files (-6.000 dBFS = 0.50119, 1.4142 in case 19).
Beside the tolerance of the standard each row holds what the ideal waveform reads, which we meet to 0.03 dB.
"""

import math
from collections.abc import Callable

import numpy as np
import pyebur128
import pytest
from scipy.signal import firwin, resample_poly

from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.true_peak import true_peak_dbtp

RATES_HZ = (44_100, 48_000, 96_000, 192_000)
HALF = 10 ** (-6 / 20)
BS_1770, TECH_3341 = "ITU-R BS.1770-5", "EBU Tech 3341 (11/2023)"

Deviation = Callable[..., None]


def faded(samples: FloatArray, rate_hz: int) -> FloatArray:
    """10 ms fades at both ends: without them the step at the start makes every interpolator over-read."""
    length = round(0.010 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / length)
    shaped = samples.copy()
    shaped[:length] *= ramp
    shaped[-length:] *= ramp[::-1]
    return shaped


SINES = [  # case, share of fs, amplitude, phase in degrees, expected dBTP, ideal dBTP
    ("15", 1 / 4, HALF, 0.0, -6.0, -6.000),
    ("16", 1 / 4, HALF, 45.0, -6.0, -6.000),
    ("17", 1 / 6, HALF, 60.0, -6.0, -6.000),
    ("18", 1 / 8, HALF, 67.5, -6.0, -6.000),
    ("19", 1 / 4, math.sqrt(2), 45.0, 3.0, 3.010),
]


@pytest.mark.standard("true peak of sines", TECH_3341, "Table 1, cases 15 to 19", tolerance=(-0.4, 0.2), unit="dB")
@pytest.mark.standard("true peak of sines re the ideal waveform", "closed form", "", tolerance=0.03, unit="dB")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("case", "share", "amplitude", "phase", "expected", "ideal"), SINES)
def test_true_peak_of_tech_3341_sines(
    case: str,
    share: float,
    amplitude: float,
    phase: float,
    expected: float,
    ideal: float,
    rate_hz: int,
    deviation: Deviation,
) -> None:
    turns = np.arange(rate_hz // 2) * share + phase / 360
    measured = true_peak_dbtp(faded(amplitude * np.sin(2 * np.pi * turns), rate_hz), rate_hz)
    assert measured is not None, f"Tech 3341 case {case}"
    deviation(measured - expected, of="true peak of sines")
    deviation(measured - ideal, of="true peak of sines re the ideal waveform")


def burst(offset: int, rate_hz: int) -> FloatArray:
    """Cases 20 to 23: fs/6 at 0.5 with one period of fs/4 at 1.0 in the middle, made at 4 fs and taken at an offset."""
    periods = rate_hz // 48
    low = 0.5 * np.sin(2 * np.pi * np.arange(24 * periods) / 24)
    high = np.sin(2 * np.pi * np.arange(16) / 16)
    fine = faded(np.concatenate((low, high, low)), 4 * rate_hz)
    smooth = np.convolve(fine, firwin(1025, 0.245, window=("kaiser", 10.0)), mode="same")
    return np.ascontiguousarray(smooth[offset::4])


BURSTS = [("20", 0), ("21", 1), ("22", 2), ("23", 3)]  # expected 0.0 dBTP; the ideal waveform reads -0.079


@pytest.mark.standard("true peak of bursts", TECH_3341, "Table 1, cases 20 to 23", tolerance=(-0.4, 0.2), unit="dB")
@pytest.mark.standard("true peak of bursts re the ideal waveform", "computed", "-0.079 dBTP", tolerance=0.03, unit="dB")
@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("case", "offset"), BURSTS)
def test_true_peak_of_tech_3341_bursts(case: str, offset: int, rate_hz: int, deviation: Deviation) -> None:
    measured = true_peak_dbtp(burst(offset, rate_hz), rate_hz)
    assert measured is not None, f"Tech 3341 case {case}"
    deviation(measured, of="true peak of bursts")
    deviation(measured + 0.079, of="true peak of bursts re the ideal waveform")


@pytest.mark.standard(
    "true peak beyond the bound on under-reading", BS_1770, "Annex 2, attachment 1", tolerance=0.003, unit="dB"
)
@pytest.mark.parametrize("share", [0.1, 0.2, 0.3, 0.4, 0.45])
def test_under_reading_stays_below_the_bound_of_annex_2(share: float, deviation: Deviation) -> None:
    """20 log10 cos(pi f / (n fs)), 0.034 dB at 0.45 fs for 16-fold oversampling."""
    bound = 20 * math.log10(math.cos(math.pi * share / 16))
    for phase in np.linspace(0.0, 1.0, 23):
        samples = faded(np.sin(2 * np.pi * (np.arange(4800) * share + phase)), 48_000)
        measured = true_peak_dbtp(samples, 48_000)
        assert measured is not None
        deviation(measured - min(max(measured, bound), 0.0))


def noise(seed: int) -> FloatArray:
    """Noise up to 19 kHz: above, interpolators differ by design."""
    white = 0.1 * np.random.default_rng(seed).standard_normal(24_000)
    return faded(np.convolve(white, firwin(255, 19_000, fs=48_000), mode="same"), 48_000)


@pytest.mark.standard("true peak of noise", "scipy 1.17", "resample_poly, 16-fold", tolerance=0.01, unit="dB")
@pytest.mark.parametrize("seed", range(3))
def test_true_peak_of_noise_agrees_with_scipy(seed: int, deviation: Deviation) -> None:
    """scipy.signal.resample_poly, 16-fold, with a 2049-tap Kaiser low-pass: 0.01 dB."""
    samples = noise(seed)
    fine = resample_poly(samples, 16, 1, window=firwin(2049, 1 / 16, window=("kaiser", 9.0)))
    measured = true_peak_dbtp(samples, 48_000)
    assert measured is not None
    deviation(measured - 20 * math.log10(np.abs(fine).max()))


@pytest.mark.standard("true peak of noise", "pyebur128 0.1", "4-fold", tolerance=0.2, unit="dB")
@pytest.mark.parametrize("seed", range(3))
def test_true_peak_of_noise_agrees_with_pyebur128(seed: int, deviation: Deviation) -> None:
    """pyebur128 oversamples 4-fold with 49 taps, so that it may read a little lower: 0.2 dB."""
    samples = noise(seed)
    state = pyebur128.R128State(1, 48_000, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(samples, samples.size)
    theirs = 20 * math.log10(pyebur128.get_true_peak(state, 0))
    measured = true_peak_dbtp(samples, 48_000)
    assert measured is not None
    deviation(measured - theirs)
