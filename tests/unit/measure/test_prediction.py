"""Linear prediction, held against a general solver, and doing what it is there for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from coilbench_worker.measure.prediction import error_filters, filtered, levinson
from coilbench_worker.measure.source import FloatArray


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), order=st.integers(1, 40))
def test_recursion_solves_the_normal_equations(seed: int, order: int) -> None:
    """Held against scipy.linalg.solve_toeplitz: R a = -r."""
    signals = np.random.default_rng(seed).standard_normal((3, 400))
    padded = np.fft.rfft(signals, 1024)
    correlation = np.fft.irfft(np.abs(padded) ** 2)[:, : order + 1]
    for row, filters in zip(correlation, levinson(correlation), strict=True):
        assert filters[0] == 1.0
        np.testing.assert_allclose(filters[1:], solve_toeplitz(row[:-1], -row[1:]), rtol=1e-7, atol=1e-9)


def test_silence_gives_the_filter_that_passes_all() -> None:
    np.testing.assert_array_equal(error_filters(np.zeros((2, 500)), 8), [[1.0] + [0.0] * 8] * 2)


def sines(count: int, frames: int, noise: float) -> FloatArray:
    random = np.random.default_rng(count)
    hz = random.uniform(100, 6000, count)
    time_s = np.arange(frames) / 16_000
    sound = np.sin(2 * np.pi * hz[:, None] * time_s + random.uniform(0, 6, (count, 1))).sum(axis=0)
    return np.asarray(sound + noise * random.standard_normal(frames))


@pytest.mark.parametrize("count", [1, 3, 6])
@pytest.mark.parametrize("noise", [1e-1, 1e-2])
def test_what_remains_of_steady_sines_is_the_noise(count: int, noise: float) -> None:
    """Prediction error within 4 dB of the noise, 20 to 40 dB and more below the sines."""
    sound = sines(count, 4096, noise)
    error = filtered(sound[None, 2048 - 64 :], error_filters(sound[None, :2048], 64))[0]
    assert error.size == 2048
    assert 10 * np.log10(np.mean(error**2) / noise**2) < 4.0


def test_new_sound_is_not_predicted() -> None:
    """A sine that begins over another one stands out at once; the old one does not."""
    sound = sines(3, 4096, 1e-3)
    begins = 3072
    sound[begins:] += 0.1 * np.sin(2 * np.pi * 1234 * np.arange(4096 - begins) / 16_000 + 1.0)
    error = filtered(sound[None, 2048 - 64 :], error_filters(sound[None, :2048], 64))[0]
    before, after = np.mean(error[: begins - 2048] ** 2), np.mean(error[begins - 2048 : begins - 2048 + 64] ** 2)
    assert 10 * np.log10(after / before) > 10.0


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-60, 20), polarity=st.sampled_from([1, -1]))
def test_gain_and_polarity_leave_the_filters_alone(gain_db: float, polarity: int) -> None:
    sound = sines(4, 2048, 1e-2)[None, :]
    gain = polarity * 10 ** (gain_db / 20)
    np.testing.assert_allclose(error_filters(gain * sound, 32), error_filters(sound, 32), rtol=1e-5, atol=1e-6)


@settings(max_examples=20, deadline=None)
@given(order=st.integers(1, 40), length=st.integers(1, 300), seed=st.integers(0, 100))
def test_filtering_is_that_of_a_general_filter(order: int, length: int, seed: int) -> None:
    """Held against scipy.signal.lfilter."""
    random = np.random.default_rng(seed)
    samples, filters = random.standard_normal((2, order + length)), random.standard_normal((2, order + 1))
    expected = [lfilter(row, 1.0, part)[order:] for row, part in zip(filters, samples, strict=True)]
    np.testing.assert_allclose(filtered(samples, filters), expected, atol=1e-10)


def test_single_precision_stays_single() -> None:
    samples = np.ones((1, 100), dtype=np.float32)
    assert filtered(samples, error_filters(samples, 4)).dtype == np.float32
