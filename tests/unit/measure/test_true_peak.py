"""True peak: the interpolator's promises, and that looking only where the peak can be overlooks nothing."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.levels import peak_dbfs
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.true_peak import REACH, interpolator, oversampling, true_peak_dbtp


def everywhere(samples: FloatArray, ratio: int) -> float:
    """Greatest absolute value on the whole finest grid, by plain convolution."""
    padded = np.concatenate((np.zeros(REACH), samples, np.zeros(REACH)))
    phases = [np.convolve(padded, interpolator(k, ratio)[::-1], mode="valid")[1:] for k in range(1, ratio)]
    return float(max(np.abs(samples).max(), *(np.abs(phase).max() for phase in phases)))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), cutoff=st.floats(0.02, 0.5), attack=st.floats(0.0, 0.5), fall=st.floats(0.0, 12.0))
def test_looking_where_the_peak_can_be_finds_what_looking_everywhere_finds(
    seed: int, cutoff: float, attack: float, fall: float
) -> None:
    """Noise of any bandwidth up to half the sample rate, under any envelope."""
    count = 600
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    spectrum[np.fft.rfftfreq(count) > cutoff] = 0
    time = np.arange(count) / count
    samples = np.fft.irfft(spectrum, count) * np.exp(-fall * time) * np.minimum(time / max(attack, 1e-3), 1.0)
    expected = everywhere(samples, 16)
    assert true_peak_dbtp(samples, 48_000) == pytest.approx(20 * math.log10(expected), abs=1e-9)


@pytest.mark.parametrize("lower_by", [0.01, 0.03, 0.1])
@pytest.mark.parametrize("eighths", range(8))
def test_peak_far_from_every_sample_is_found_beside_a_lower_one_on_a_sample(eighths: int, lower_by: float) -> None:
    """A burst at fs/3 whose crests all lie equally far from the half samples, then a slower, slightly lower one."""
    time = np.arange(400)
    steep = np.hanning(400) * np.cos(2 * np.pi / 3 * (time - 200 - eighths / 8))
    slow = (1 - lower_by) * np.hanning(400) * np.cos(2 * np.pi / 40 * (time - 200))
    samples = np.concatenate((steep, slow))
    assert true_peak_dbtp(samples, 48_000) == pytest.approx(20 * math.log10(everywhere(samples, 16)), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 1000), gain_db=st.floats(-60.0, 6.0))
def test_gain_and_polarity(seed: int, gain_db: float) -> None:
    samples = np.random.default_rng(seed).standard_normal(300)
    before = true_peak_dbtp(samples, 44_100)
    assert before is not None
    after = true_peak_dbtp(samples * -(10 ** (gain_db / 20)), 44_100)
    assert after == pytest.approx(before + gain_db, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 1000), shift=st.integers(0, 200))
def test_true_peak_never_lies_below_the_peak_and_does_not_move_with_time(seed: int, shift: int) -> None:
    samples = np.random.default_rng(seed).standard_normal(200)
    measured, peak = true_peak_dbtp(samples, 48_000), peak_dbfs(samples)
    assert measured is not None
    assert peak is not None
    assert measured >= peak
    later = np.concatenate((np.zeros(shift), samples, np.zeros(40)))
    moved = true_peak_dbtp(later, 48_000, start=shift, stop=shift + 200)
    assert moved == pytest.approx(measured, abs=1e-9)


def test_samples_around_the_window_are_context_and_not_measured() -> None:
    tone = np.sin(2 * np.pi * 997 * np.arange(4800) / 48_000)
    assert true_peak_dbtp(tone, 48_000, start=1000, stop=3000) == pytest.approx(0.0, abs=1e-3)
    louder_after = tone.copy()
    louder_after[3040:] *= 4
    assert true_peak_dbtp(louder_after, 48_000, start=1000, stop=3000) == pytest.approx(0.0, abs=1e-3)
    cut_off = true_peak_dbtp(tone, 48_000)
    assert cut_off is not None
    assert cut_off > 0.05  # the last sample is followed by silence: a step


def test_interpolator_is_flat_and_stops() -> None:
    """Flat within 0.001 dB to 0.45 fs, 90 dB down from 0.55 fs to where the image ends (whole prototype, 16 phases)."""
    prototype = np.zeros(16 * 2 * REACH)
    for phase in range(16):
        prototype[phase::16] = interpolator(16 - phase, 16) if phase else np.roll(interpolator(0, 1), 1)
    spectrum_db = 20 * np.log10(np.abs(np.fft.rfft(prototype, 1 << 16)) / 16 + 1e-12)
    share = np.fft.rfftfreq(1 << 16) * 16
    assert np.abs(spectrum_db[share <= 0.45]).max() < 0.001
    assert spectrum_db[share >= 0.55].max() < -89


@pytest.mark.parametrize(("rate_hz", "ratio"), [(8000, 32), (12_000, 16), (44_100, 16), (48_000, 16), (192_000, 16)])
def test_grid_reaches_192_khz(rate_hz: int, ratio: int) -> None:
    assert oversampling(rate_hz) == ratio


def test_silence_has_no_true_peak() -> None:
    assert true_peak_dbtp(np.zeros(100), 48_000) is None


@pytest.mark.parametrize(("start", "stop"), [(5, 5), (-1, 5), (0, 11)])
def test_window_outside_the_samples_is_an_error(start: int, stop: int) -> None:
    with pytest.raises(ValueError, match="window"):
        true_peak_dbtp(np.ones(10), 48_000, start=start, stop=stop)


def test_samples_that_are_not_finite_are_an_error() -> None:
    with pytest.raises(ValueError, match="not finite"):
        true_peak_dbtp(np.array([0.1, np.nan, 0.1]), 48_000)


def test_context_that_is_not_finite_is_an_error() -> None:
    samples = np.ones(100)
    samples[70] = np.inf
    with pytest.raises(ValueError, match="not finite"):
        true_peak_dbtp(samples, 48_000, start=20, stop=50)


def test_single_sample_is_its_own_peak() -> None:
    assert true_peak_dbtp(np.array([0.5]), 48_000) == pytest.approx(-6.0206, abs=1e-3)
