"""Samples at one extreme value: clipping at full scale, flat tops below it, and loud takes that are neither."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.extremes import Extremes
from coilbench_worker.measure.source import FloatArray
from material.processing import OverdrivenInput

RATE_HZ = 48_000
TIME_S = np.arange(RATE_HZ) / RATE_HZ
LOUD = np.sin(2 * np.pi * 110 * TIME_S) * np.exp(-2 * TIME_S) + 0.3 * np.sin(2 * np.pi * 331 * TIME_S)
LOUD /= np.max(np.abs(LOUD))


def fed(samples: FloatArray, bits: int | None = None, split: tuple[int, ...] = ()) -> Extremes:
    extremes = Extremes(bits)
    for block in np.split(samples, split):
        extremes.feed(block)
    return extremes


def integers(samples: FloatArray, bits: int) -> FloatArray:
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * steps), -steps, steps - 1) / steps


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_runs_at_the_extreme_code_of_integer_files_are_seen(bits: int, polarity: float) -> None:
    clipped = integers(polarity * 2.0 * LOUD, bits)
    runs = fed(clipped, bits).clipped_runs()
    assert runs
    for run in runs:
        assert run.length >= 3
        assert len(set(clipped[run.start : run.start + run.length])) == 1


@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_two_codes_below_full_scale_is_not_full_scale(polarity: float) -> None:
    ceiling = 1.0 - 3 / 32768
    extremes = fed(polarity * integers(np.clip(2.0 * LOUD, -ceiling, ceiling), 16), 16)
    assert not extremes.clipped_runs()
    assert extremes.flat_runs()


def test_floating_point_clips_at_1() -> None:
    assert fed(np.clip(2.0 * LOUD, -1.0, 1.0)).clipped_runs()
    assert not fed(np.clip(2.0 * LOUD, -0.99, 0.99)).clipped_runs()


def test_floating_point_above_full_scale_that_is_not_held_is_no_clipping() -> None:
    over = fed(3.0 * LOUD)
    assert over.peak == pytest.approx(3.0)
    assert not over.clipped_runs()
    assert not over.flat_runs()


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("peak", [1.0, 0.99, 0.5, 0.1, 0.01])
def test_loud_take_that_touches_no_ceiling_is_not_clipped(bits: int | None, peak: float) -> None:
    samples = peak * LOUD if bits is None else integers(peak * LOUD * (1 - 2.0 ** (2 - bits)), bits)
    extremes = fed(samples, bits)
    assert not extremes.clipped_runs()
    assert not extremes.flat_runs()


@pytest.mark.parametrize("ceiling_db", [-0.5, -3.0, -12.0])
def test_flat_tops_below_full_scale_are_seen(ceiling_db: float) -> None:
    ceiling = 10 ** (ceiling_db / 20)
    extremes = fed(np.clip(2.0 * LOUD, -ceiling, ceiling))
    assert not extremes.clipped_runs()
    runs = extremes.flat_runs()
    assert len(runs) >= 3
    assert all(abs(run.value) == pytest.approx(ceiling) for run in runs)


def test_flat_tops_on_one_side_are_enough() -> None:
    assert len(fed(np.minimum(0.9 * LOUD, 0.6)).flat_runs()) >= 3


def test_two_flat_tops_may_be_chance() -> None:
    samples = 0.5 * LOUD
    samples[100:104] = samples[5000:5004] = 0.6
    assert fed(samples).flat_runs() == ()


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, RATE_HZ - 1), max_size=5, unique=True), ceiling=st.floats(0.3, 1.0))
def test_clipped_samples_are_counted_whatever_the_blocks(cuts: list[int], ceiling: float) -> None:
    """A cut through a run of two or three samples may hide it; all but one run in twenty are counted alike."""
    clipped = np.clip(2.0 * LOUD, -ceiling, ceiling)

    def held(extremes: Extremes) -> int:
        return sum(run.length for run in (*extremes.clipped_runs(), *extremes.flat_runs()))

    whole, split = held(fed(clipped)), held(fed(clipped, split=tuple(sorted(cuts))))
    assert split == pytest.approx(whole, abs=4 * len(cuts))
    assert whole > 100


@pytest.mark.parametrize("codes", [3, 10, 100, 250])
def test_smooth_wave_of_few_codes_is_not_flat(codes: int) -> None:
    """Rounded to 16 bits, a steady 110 Hz of 250 codes stands on its greatest code for 12 samples in every period."""
    low = np.sin(2 * np.pi * 110 * TIME_S)
    assert fed(integers(codes / 32768 * low, 16), 16).flat_runs() == ()


def test_digital_silence_is_not_clipping() -> None:
    extremes = fed(np.zeros(RATE_HZ), 16)
    assert extremes.peak == 0.0
    assert not extremes.clipped_runs()
    assert not extremes.flat_runs()


def test_recording_without_samples_has_no_runs() -> None:
    assert fed(np.zeros(0)).clipped_runs() == ()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("hertz", [46.25, 82.4, 110.0])
def test_wave_that_just_reaches_full_scale_is_not_clipped(rate_hz: int, bits: int, hertz: float) -> None:
    """In 8 bits its crest stands on the greatest code for 40 samples, period after period: that decides nothing."""
    steps = 2.0 ** (bits - 1)
    wave = integers((steps - 1) / steps * np.cos(2 * np.pi * hertz * np.arange(rate_hz) / rate_hz), bits)
    assert wave.max() == (steps - 1) / steps
    extremes = Extremes(bits, rate_hz)
    extremes.feed(wave)
    assert extremes.clipped_runs() == ()


@pytest.mark.parametrize("codes", [300, 3_000, 16_000])
def test_low_string_of_some_codes_is_not_flat(codes: int) -> None:
    low = integers(codes / 32768 * np.sin(2 * np.pi * 46.25 * TIME_S), 16)
    assert fed(low, 16).flat_runs() == ()


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_tops_cut_before_the_converter_are_seen_on_either_side(bits: int | None, polarity: float) -> None:
    made = polarity * OverdrivenInput(0.4, low_ceiling=2.0).processed(LOUD, RATE_HZ)
    extremes = fed(made if bits is None else integers(made, bits), bits)
    assert extremes.flat_runs() == ()
    runs = extremes.blunt_runs()
    assert len(runs) >= 6
    assert all(run.value == pytest.approx(0.4 * polarity, rel=0.03) for run in runs)


def test_tops_of_few_codes_are_not_judged() -> None:
    assert fed(integers(np.clip(LOUD, -0.5, 0.5) * 0.006, 16), 16).blunt_runs() == ()
