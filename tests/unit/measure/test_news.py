"""What is new: little while sounds go on, much where one begins, whatever the direction it is heard from."""

import numpy as np
import pytest

from coilbench_worker.measure.news import COARSE_RATE_HZ, News
from coilbench_worker.measure.source import FloatArray

HOP = 96
FRAMES = 250
TIME_S = np.arange(FRAMES * HOP) / COARSE_RATE_HZ
NOISE = 1e-4 * np.random.default_rng(21).standard_normal(TIME_S.size)


def chord(hz: tuple[float, ...] = (82.4, 123.5, 164.8, 207.7, 246.9, 329.6)) -> FloatArray:
    """Six strings with six partials each that have rung since long ago."""
    partials = [(k * f, 0.1 / k) for f in hz for k in range(1, 7)]
    return np.asarray(sum(a * np.sin(2 * np.pi * f * TIME_S + 7 * f) for f, a in partials))


def heard(samples: FloatArray) -> tuple[FloatArray, FloatArray]:
    """News of every frame in all and in the strings' range, dB re full scale squared."""
    news = News(COARSE_RATE_HZ, HOP)
    news.feed(samples.astype(np.float32))
    whole, strings = (10 * np.log10(part + 1e-20) for part in news.course(FRAMES))
    return whole, strings


def test_chord_that_rings_on_is_no_news_even_as_the_file_begins() -> None:
    whole, strings = heard(chord() + NOISE)
    level_db = 10 * np.log10(np.mean(chord() ** 2))
    assert whole.max() < level_db - 20.0
    assert strings.max() < level_db - 20.0


@pytest.mark.parametrize("at_s", [0.05, 0.15, 0.5, 1.2])
def test_soft_note_over_the_chord_is_news(at_s: float) -> None:
    """20 dB below the chord; it stands out by 10 dB where it begins."""
    note = 0.02 * np.sin(2 * np.pi * 440 * (TIME_S - at_s)) * (at_s <= TIME_S)
    before, after = heard(chord() + NOISE)[0], heard(chord() + note + NOISE)[0]
    at = int(at_s * COARSE_RATE_HZ / HOP)
    assert int(np.argmax(after - before)) in range(at - 1, at + 4)
    assert (after - before).max() > 10.0


def test_thump_is_no_news_in_the_range_of_strings() -> None:
    since = np.maximum(TIME_S - 1.0, 0.0)
    thump = 0.2 * np.sin(2 * np.pi * 55 * since) * (1 - np.exp(-since / 0.008)) * np.exp(-since / 0.04)
    whole, strings = heard(thump + NOISE)
    assert whole.max() - np.median(whole) > 20.0
    assert strings.max() < whole.max() - 15.0


def test_recording_of_a_moment_is_no_difficulty() -> None:
    for samples in (1, 10, 500, 3000):
        news = News(COARSE_RATE_HZ, HOP)
        news.feed(NOISE[:samples].astype(np.float32))
        frames = -(-samples // HOP)
        for part in news.course(frames):
            assert part.shape == (frames,)
            assert np.all(np.isfinite(part))
