"""Loudness of segments and streams: windows are whole, blocks don't matter, gain moves it exactly."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.loudness import IntegratedLoudness, momentary_maximum_lufs
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 8000


def strum(duration_s: float = 2.0, rate_hz: int = RATE_HZ) -> FloatArray:
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    return 0.3 * np.exp(-2 * time_s) * np.sin(2 * np.pi * 440 * time_s)


def streamed(samples: FloatArray, sizes: list[int], rate_hz: int = RATE_HZ) -> float | None:
    meter = IntegratedLoudness(rate_hz)
    start = 0
    for size in sizes:
        meter.feed(samples[start : start + size])
        start += size
    meter.feed(samples[start:])
    return meter.lufs()


@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.integers(0, 4000), max_size=12))
def test_integrated_loudness_does_not_depend_on_the_blocks(sizes: list[int]) -> None:
    samples = strum()
    assert streamed(samples, sizes) == pytest.approx(streamed(samples, []), abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-30.0, 12.0))
def test_gain_moves_loudness_by_itself(gain_db: float) -> None:
    samples = strum()
    before = momentary_maximum_lufs(samples, RATE_HZ)
    assert before is not None
    after = momentary_maximum_lufs(samples * -(10 ** (gain_db / 20)), RATE_HZ)
    assert after == pytest.approx(before + gain_db, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [11_025, 44_100, 47_999])
def test_cells_of_odd_rates_neither_drift_nor_overlap(rate_hz: int) -> None:
    tone = np.sin(2 * np.pi * 1000 * np.arange(3 * rate_hz) / rate_hz)
    whole, steady = streamed(tone, [], rate_hz), momentary_maximum_lufs(tone, rate_hz, onset=rate_hz)
    assert whole == pytest.approx(steady, abs=0.03)


def test_samples_before_the_onset_settle_the_filter_and_are_not_measured() -> None:
    loud_before = np.concatenate((0.9 * np.ones(800), np.zeros(1600), strum()))
    assert momentary_maximum_lufs(loud_before, RATE_HZ, onset=2400) == pytest.approx(
        momentary_maximum_lufs(strum(), RATE_HZ), abs=0.01
    )


def test_loudest_window_may_start_anywhere_in_the_level_window() -> None:
    late = np.concatenate((np.zeros(round(0.45 * RATE_HZ)), strum()))
    assert momentary_maximum_lufs(late, RATE_HZ) == pytest.approx(momentary_maximum_lufs(strum(), RATE_HZ), abs=0.01)


def test_loudness_is_none_when_the_last_window_does_not_fit() -> None:
    """Windows start up to 0.49 s after the onset and last 0.4 s."""
    assert momentary_maximum_lufs(strum()[: round(0.88 * RATE_HZ)], RATE_HZ) is None
    assert momentary_maximum_lufs(strum()[: round(0.89 * RATE_HZ)], RATE_HZ) is not None


def test_silence_has_no_loudness() -> None:
    assert momentary_maximum_lufs(np.zeros(RATE_HZ), RATE_HZ) is None
    assert streamed(np.zeros(RATE_HZ), []) is None
    assert IntegratedLoudness(RATE_HZ).lufs() is None


def test_onset_outside_the_samples_is_an_error() -> None:
    with pytest.raises(ValueError, match="onset at sample 9"):
        momentary_maximum_lufs(np.zeros(9), RATE_HZ, onset=9)


def test_samples_that_are_not_finite_are_an_error() -> None:
    samples = strum()
    samples[100] = np.nan
    with pytest.raises(ValueError, match="not finite"):
        momentary_maximum_lufs(samples, RATE_HZ)


def test_digital_silence_leaves_nothing_in_the_filter_that_slows_arithmetic() -> None:
    """Numbers below the normal range of float64 take 30 times as long: an hour of silence took 40 s more."""
    meter = IntegratedLoudness(RATE_HZ)
    for block in (strum(), *[np.zeros(RATE_HZ)] * 6):
        meter.feed(block)
    assert not np.any(meter._state)
