"""The coarse channel: the same whatever the blocks, in time with the fine one, and free of aliases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.decimation import Decimator
from coilbench_worker.measure.source import FloatArray

COARSE_HZ = 12_000
RATES_HZ = (8_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000)


def tone(hz: float, rate_hz: int, seconds: float = 0.5) -> FloatArray:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@settings(max_examples=40, deadline=None)
@given(rate_hz=st.sampled_from(RATES_HZ), sizes=st.lists(st.integers(0, 700), min_size=1, max_size=12))
def test_result_does_not_depend_on_the_blocks(rate_hz: int, sizes: list[int]) -> None:
    samples = np.random.default_rng(3).standard_normal(sum(sizes))
    whole = Decimator(rate_hz, COARSE_HZ).feed(samples)
    split = Decimator(rate_hz, COARSE_HZ)
    parts = [split.feed(block) for block in np.split(samples, np.cumsum(sizes)[:-1])]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=2e-6)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("coarse_hz", [12_000, 16_000])
def test_rate_is_as_near_to_the_one_asked_for_as_whole_factors_allow(rate_hz: int, coarse_hz: int) -> None:
    """A recording that is slower stays as it is."""
    factor = Decimator(rate_hz, coarse_hz).factor
    assert factor == 1 or abs(rate_hz / coarse_hz - factor) <= 0.5
    assert factor > 1 or rate_hz <= 1.5 * coarse_hz


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [60.0, 1000.0, 2000.0])
def test_tone_in_the_middle_passes_without_delay(rate_hz: int, hz: float) -> None:
    """Within 1 % of every factor-th sample."""
    decimator = Decimator(rate_hz, COARSE_HZ)
    samples = tone(hz, rate_hz)
    coarse = decimator.feed(samples)
    expected = samples[:: decimator.factor][: coarse.size]
    middle = slice(20, coarse.size - 20)
    assert np.max(np.abs(coarse[middle] - expected[middle])) < 0.01


@pytest.mark.parametrize("rate_hz", [rate for rate in RATES_HZ if rate >= 44_100])
def test_tone_that_would_fold_back_is_40_db_down(rate_hz: int) -> None:
    decimator = Decimator(rate_hz, COARSE_HZ)
    coarse_hz = rate_hz / decimator.factor
    coarse = decimator.feed(tone(0.75 * coarse_hz, rate_hz))
    assert 20 * np.log10(np.sqrt(np.mean(coarse[20:] ** 2)) * np.sqrt(2)) < -40.0


def test_all_but_the_last_few_samples_come_back() -> None:
    for rate_hz in RATES_HZ:
        decimator = Decimator(rate_hz, COARSE_HZ)
        count = decimator.feed(np.zeros(rate_hz)).size
        assert 0 <= rate_hz / decimator.factor - count <= 9


def test_offset_passes_unchanged() -> None:
    coarse = Decimator(48_000, COARSE_HZ).feed(np.full(4800, 0.25))
    np.testing.assert_allclose(coarse[20:], 0.25, rtol=1e-3)
