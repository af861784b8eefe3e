"""A sine fitted to a short stretch: found, or said not to be there."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from coilbench_worker.measure.sine_fit import between_bins, fit_sine, raised_cosine
from material.tones import RATE_HZ, hiss, sine


def test_sine_is_split_from_what_is_left() -> None:
    samples = sine(997.0, 0.4, seconds=0.25) + hiss(0.001, RATE_HZ // 4)
    found = fit_sine(samples, RATE_HZ)
    assert found is not None
    assert found.frequency_hz == pytest.approx(997.0, rel=1e-6)
    assert found.power == pytest.approx(0.08, rel=1e-4)
    assert found.residual_power == pytest.approx(1e-6, rel=0.05)
    assert found.residual.shape == samples.shape


def test_weighted_fit_agrees_with_a_general_least_squares_program() -> None:
    samples = sine(131.3, 0.2, seconds=0.25) + sine(393.9, 0.004, seconds=0.25) + hiss(0.002, RATE_HZ // 4)
    time_s = np.arange(samples.size) / RATE_HZ

    def model(t: np.ndarray, f: float, a: float, b: float, c: float) -> np.ndarray:
        return np.asarray(a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t) + c)

    sigma = 1 / np.sqrt(raised_cosine(samples.size))
    (f, a, b, _), _ = curve_fit(model, time_s, samples, p0=(131.0, 0.1, 0.1, 0.0), sigma=sigma)
    found = fit_sine(samples, RATE_HZ)
    assert found is not None
    assert found.frequency_hz == pytest.approx(f, rel=1e-7)
    assert found.power == pytest.approx((a * a + b * b) / 2, rel=1e-6)


@pytest.mark.parametrize("periods", [4.0, 5.3, 40.7])
def test_few_and_broken_periods_are_no_matter(periods: float) -> None:
    frequency_hz = periods / 0.25
    for phase in (0.0, 1.0, 2.5, 4.4):
        found = fit_sine(0.1 + sine(frequency_hz, 0.3, seconds=0.25, phase=phase), RATE_HZ)
        assert found is not None
        assert found.power == pytest.approx(0.045, rel=1e-9)
        assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-9)


@pytest.mark.parametrize("samples", [np.zeros(4000), np.full(4000, 0.2)], ids=["silence", "offset"])
def test_where_nothing_swings_there_is_no_sine(samples: np.ndarray) -> None:
    found = fit_sine(samples, RATE_HZ)
    assert found is None or found.power < 1e-20


def test_line_lies_between_its_bins() -> None:
    power = np.array([1.0, np.e, np.e**1.5, np.e, 1.0])
    assert between_bins(power, 2) == pytest.approx(2.0)
    assert between_bins(np.array([1.0, 8.0, 8.0, 1.0]), 1) == pytest.approx(1.5)
    assert between_bins(power, 0) == 0.0
    assert between_bins(np.zeros(5), 2) == 2.0
