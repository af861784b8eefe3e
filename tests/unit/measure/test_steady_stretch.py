"""Where a recorded tone is steady, in bounded memory."""

import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from coilbench_worker.measure.reference_tone import measure_tone
from coilbench_worker.measure.source import BLOCK_FRAMES, ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.steady_stretch import SILENCE_DBFS, SteadyStretch, course, steady_stretch
from material.tones import RATE_HZ, among_silence, sine


def stretch(samples: FloatArray, shortest_s: float = 1.0) -> SteadyStretch | None:
    return steady_stretch(course(OneChannel(ArraySource(samples, RATE_HZ), 0)), round(shortest_s * RATE_HZ))


def test_stretch_leaves_out_the_cells_at_both_ends() -> None:
    found = stretch(among_silence(sine(seconds=2.0, peak=0.5), 1.0, 1.0))
    assert found is not None
    assert (found.start / RATE_HZ, found.stop / RATE_HZ) == (pytest.approx(1.1), pytest.approx(2.9))
    assert found.level_dbfs == pytest.approx(20 * np.log10(0.5 / np.sqrt(2)), abs=0.01)
    assert found.peak == pytest.approx(0.5, abs=1e-3)
    assert found.elsewhere_s == 0.0


def test_loudest_of_several_stretches_is_taken_and_the_others_counted() -> None:
    found = stretch(np.concatenate((sine(peak=0.1, seconds=4.0), sine(peak=0.3, seconds=2.0), np.zeros(RATE_HZ))))
    assert found is not None
    assert found.start / RATE_HZ == pytest.approx(4.1)
    assert found.elsewhere_s == pytest.approx(3.9)


def test_without_a_long_one_the_longest_of_the_loud_ones_is_given() -> None:
    parts = [sine(peak=0.3, seconds=0.4), np.zeros(RATE_HZ // 2), sine(peak=0.2, seconds=0.8), sine(peak=1e-4)]
    found = stretch(np.concatenate(parts), shortest_s=3.0)
    assert found is not None
    assert found.level_dbfs == pytest.approx(20 * np.log10(0.2 / np.sqrt(2)), abs=0.05)


def test_silence_has_no_stretch_and_no_level_of_minus_infinity() -> None:
    assert stretch(np.zeros(RATE_HZ)) is None
    assert stretch(np.zeros(10)) is None
    assert (course(OneChannel(ArraySource(np.zeros(RATE_HZ), RATE_HZ), 0)).levels_dbfs == SILENCE_DBFS).all()


@dataclass(frozen=True)
class Endless:
    """A tone of any length that is never in memory as a whole."""

    frames: int
    rate_hz: int = 8_000
    channels: int = 1

    def blocks(self) -> Iterator[FloatArray]:
        for start in range(0, self.frames, BLOCK_FRAMES):
            yield self.segment(start, min(start + BLOCK_FRAMES, self.frames))

    def segment(self, start: int, stop: int) -> FloatArray:
        return 0.3 * np.sin(2 * np.pi * 1000.0 / self.rate_hz * np.arange(start, stop) + 0.4)[:, None]


def test_memory_hardly_grows_with_length() -> None:
    peaks = []
    for minutes in (1, 16):
        tracemalloc.start()
        found = measure_tone(OneChannel(Endless(minutes * 60 * 8_000), 0))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert found.duration_s == pytest.approx(minutes * 60 - 0.2)
    assert peaks[1] < peaks[0] + 3_000_000
