"""Candidates: none where nothing new sounds, one wherever something does, with the evidence."""

from dataclasses import astuple

import numpy as np
import pytest

from coilbench_worker.measure.candidates import Candidate, band_floor, candidates, news_floor
from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.survey import BANDS, Survey, survey
from material.corpus import hands
from material.plain_take import RATE_HZ, changed, plain_samples, rendered


def course_of(samples: FloatArray) -> Survey:
    return survey(OneChannel(ArraySource(samples, RATE_HZ), 0))


PLAIN = course_of(plain_samples())


def near(found: list[Candidate], course: Survey, onset_s: float) -> list[Candidate]:
    return [each for each in found if abs(each.frame * course.hop / course.rate_hz - onset_s) <= 0.05]


def test_every_strum_is_a_candidate() -> None:
    found = candidates(PLAIN)
    for onset_s in rendered().truth.onsets_s:
        (candidate,) = near(found, PLAIN, onset_s)
        assert np.count_nonzero(candidate.change_db >= 3.0) >= 3
        assert candidate.novelty_db > 10.0
        assert candidate.string_novelty_db > 10.0
        assert candidate.lasting_db > -5.0
        assert np.all(candidate.fading_db < 10.0)


def test_candidates_are_in_order_and_at_least_a_spread_apart() -> None:
    frames = [each.frame for each in candidates(PLAIN)]
    assert np.all(np.diff(frames) * PLAIN.hop / RATE_HZ >= 0.112)


def test_silence_has_no_candidates() -> None:
    assert candidates(course_of(np.zeros(RATE_HZ))) == []


def test_click_in_silence_has_none() -> None:
    samples = np.zeros(2 * RATE_HZ)
    samples[RATE_HZ] = 0.5
    assert candidates(course_of(samples)) == []


def test_steady_hum_has_none_once_it_goes_on() -> None:
    samples = 0.1 * np.sin(2 * np.pi * 50 * np.arange(3 * RATE_HZ) / RATE_HZ)
    samples += 1e-5 * np.random.default_rng(8).standard_normal(samples.size)
    assert all(each.frame * 0.008 < 0.1 for each in candidates(course_of(samples)))


@pytest.mark.parametrize("frames", [1, 100, 384, 5000])
def test_recording_of_a_moment_is_no_difficulty(frames: int) -> None:
    samples = 0.1 * np.random.default_rng(9).standard_normal(frames)
    for candidate in candidates(course_of(samples)):
        for evidence in astuple(candidate):
            assert np.all(np.isfinite(evidence))


@pytest.mark.parametrize("lead_s", [0.0, 0.004, 0.02, 0.06, 0.15])
def test_strum_that_begins_with_the_file_is_a_candidate(lead_s: float) -> None:
    course = course_of(plain_samples()[round((rendered().truth.onsets_s[0] - lead_s) * RATE_HZ) :])
    assert len(near(candidates(course), course, lead_s)) == 1


@pytest.mark.parametrize("since_s", [0.4, 0.8, 1.5])
def test_strings_that_ring_as_the_file_begins_are_none(since_s: float) -> None:
    course = course_of(plain_samples()[round((rendered().truth.onsets_s[0] + since_s) * RATE_HZ) :])
    first = rendered().truth.onsets_s[1] - rendered().truth.onsets_s[0] - since_s
    assert candidates(course)[0].frame * course.hop / RATE_HZ == pytest.approx(first, abs=0.05)


def test_soft_stroke_over_loud_ringing_is_a_candidate() -> None:
    """20 dB softer, 0.4 s after: it makes no band louder."""
    take = changed(hands(4, 0.4, seed=79, forces_db=(0.0, -20.0), jitter_s=0.0))
    course = course_of(take.samples)
    for onset_s in take.truth.onsets_s:
        (candidate,) = near(candidates(course), course, onset_s)
        assert candidate.novelty_db > 10.0


def test_evidence_of_gain_is_the_same_but_for_the_level() -> None:
    soft = course_of(0.1 * plain_samples())
    for loud_one, soft_one in zip(candidates(PLAIN), candidates(soft), strict=True):
        assert soft_one.frame == loud_one.frame
        np.testing.assert_allclose(soft_one.level_db, loud_one.level_db - 20.0, atol=0.01)
        np.testing.assert_allclose(soft_one.change_db, loud_one.change_db, atol=0.01)
        assert soft_one.string_news_db == pytest.approx(loud_one.string_news_db - 20.0, abs=0.01)


def test_floors_lie_above_nothing_and_below_the_strums() -> None:
    assert band_floor(PLAIN).shape == (BANDS,)
    assert np.all(band_floor(PLAIN) > 0.0)
    assert np.all(band_floor(PLAIN) < PLAIN.bands.max())
    assert 0.0 < news_floor(PLAIN.news) < float(PLAIN.news.max())
    silence = course_of(np.zeros(RATE_HZ))
    assert np.all(band_floor(silence) > 0.0)
    assert news_floor(silence.news) > 0.0
