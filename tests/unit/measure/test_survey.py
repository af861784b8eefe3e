"""The survey: the same whatever the blocks, and true to levels, silence and mean."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.survey import BANDS, HOP_S, Survey, survey
from material.plain_take import RATE_HZ, plain_samples
from material.sources import SplitSource


def of(samples: FloatArray, rate_hz: int = RATE_HZ) -> Survey:
    return survey(OneChannel(ArraySource(samples, rate_hz), 0))


PART = plain_samples()[20_000:170_000]
WHOLE = of(PART)


@settings(max_examples=15, deadline=None)
@given(sizes=st.lists(st.sampled_from([1, 7, 383, 384, 385, 1000, 65_536]), min_size=1, max_size=4))
def test_survey_does_not_depend_on_the_blocks(sizes: list[int]) -> None:
    sizes = [*sizes, 20_000]
    split = survey(OneChannel(SplitSource(PART[:, None], RATE_HZ, tuple(sizes)), 0))
    assert (split.hop, split.frames) == (WHOLE.hop, WHOLE.frames)
    np.testing.assert_allclose(split.power, WHOLE.power, rtol=1e-9, atol=1e-20)
    np.testing.assert_array_equal(split.silent, WHOLE.silent)
    np.testing.assert_allclose(split.bands, WHOLE.bands, rtol=1e-3, atol=1e-9)
    np.testing.assert_allclose(split.news, WHOLE.news, rtol=1e-3, atol=1e-9)
    assert split.mean == pytest.approx(WHOLE.mean, abs=1e-12)
    assert split.loudness_integrated_lufs == pytest.approx(WHOLE.loudness_integrated_lufs, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("seconds", [0.001, 0.05, 0.5, 5.3])
def test_every_sample_lies_in_one_frame_of_about_8_ms(rate_hz: int, seconds: float) -> None:
    samples = np.random.default_rng(5).standard_normal(max(round(seconds * rate_hz), 1))
    course = of(samples, rate_hz)
    assert course.hop / rate_hz == pytest.approx(HOP_S, rel=0.01)
    assert course.frames == -(-samples.size // course.hop)
    assert course.power.shape == course.silent.shape == course.news.shape == (course.frames,)
    assert course.bands_between(0, course.frames).shape == course.bands.shape
    assert course.bands.shape[1] == BANDS
    assert course.bands.shape[0] >= 1
    lengths = np.minimum(course.hop, samples.size - np.arange(course.frames) * course.hop)
    if seconds > 0.01:
        assert float(course.power @ lengths) == pytest.approx(float(np.sum(samples**2)), rel=0.02, abs=0.5)
    assert course.mean == pytest.approx(float(samples.mean()), abs=1e-12)


def test_offset_is_no_power() -> None:
    with_offset = of(PART + 0.3)
    assert with_offset.mean == pytest.approx(WHOLE.mean + 0.3, abs=1e-9)
    np.testing.assert_allclose(with_offset.power, WHOLE.power, atol=1e-9)


def test_strums_that_swing_to_one_side_do_not_raise_the_quiet() -> None:
    """The mean of such a file is not its offset."""
    samples = 1e-4 * np.random.default_rng(11).standard_normal(4 * RATE_HZ)
    samples[RATE_HZ : RATE_HZ + 5000] += 0.3
    course = of(samples)
    assert course.mean > 0.005
    assert 10 * np.log10(course.power[:100].mean()) == pytest.approx(-80.0, abs=0.2)


def test_hum_does_not_shift_the_offset() -> None:
    samples = 0.02 + 0.1 * np.sin(2 * np.pi * 50 * np.arange(4 * RATE_HZ) / RATE_HZ + 0.7)
    assert of(samples).power.mean() == pytest.approx(0.005, rel=0.01)


def test_exact_zeros_are_told_from_quiet() -> None:
    samples = np.full(RATE_HZ, 1e-7)
    samples[24_000:36_000] = 0.0
    silent = of(samples).silent
    frames = np.flatnonzero(silent) * of(samples).hop
    assert frames.min() >= 24_000
    assert frames.max() < 36_000
    assert silent.sum() == pytest.approx(12_000 / of(samples).hop, abs=2)


@pytest.mark.parametrize("hz", [130.0, 250.0, 500.0, 1000.0, 2000.0, 3000.0])
def test_sine_shows_in_its_own_band_with_its_power(hz: float) -> None:
    """Mean square 0.5 within 0.5 dB; the sum over all bands as well."""
    bands = of(np.sin(2 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ)).bands[10:100]
    assert 10 * np.log10(bands.sum(axis=1).mean() / 0.5) == pytest.approx(0.0, abs=0.5)
    assert bands.mean(axis=0).max() > 0.8 * 0.5


def test_news_is_small_while_a_sine_goes_on_and_large_where_another_begins() -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    samples = np.sin(2 * np.pi * 196 * time_s) + 1e-4 * np.random.default_rng(6).standard_normal(time_s.size)
    begins = round(1.2 * RATE_HZ)
    samples[begins:] += 0.1 * np.sin(2 * np.pi * 1300 * time_s[: time_s.size - begins])
    course = of(samples)
    at = begins // course.hop
    steady = float(np.median(course.news[50 : at - 1]))
    assert 10 * np.log10(float(course.news[at : at + 3].max()) / steady) > 20.0


def test_end_of_the_file_is_no_news() -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    samples = np.sin(2 * np.pi * 196 * time_s) + 1e-4 * np.random.default_rng(7).standard_normal(time_s.size)
    news = of(samples).news
    assert news[-12:].max() < 10 * np.median(news[50:])


def test_everyone_who_watches_sees_every_block_once() -> None:
    seen: list[FloatArray] = []
    survey(OneChannel(ArraySource(PART, RATE_HZ), 0), watch=seen.append)
    np.testing.assert_array_equal(np.concatenate(seen), PART)


def test_seconds_are_counted_in_frames() -> None:
    assert WHOLE.count(0.8) == round(0.8 * RATE_HZ / WHOLE.hop)
    assert WHOLE.count(0.0) == 1
