"""What pictures are drawn from: thinned courses that still say what was measured."""

import json
import math

import numpy as np
import pytest

from coilbench_worker.measure.cells import cells
from coilbench_worker.measure.decay import decay_of_cells
from coilbench_worker.measure.traces import Overview, OverviewCourse, Traces, strum_trace, traces_document

RATE_HZ = 48_000
FALL_DB_PER_S = 12.0
ONSET = RATE_HZ // 2


def overview_of(samples: np.ndarray, block: int) -> Overview:
    course = OverviewCourse(RATE_HZ, samples.size)
    for start in range(0, samples.size, block):
        course.feed(samples[start : start + block])
    return course.overview()


def dying_noise(seconds: float) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    white = np.random.default_rng(5).standard_normal(time_s.size)
    return 0.2 * white * 10 ** (-FALL_DB_PER_S * time_s / 20)


@pytest.mark.parametrize("frames", [1, 999, 1200, 1201, 480_001])
def test_overview_holds_the_least_and_the_greatest_sample_wherever_they_are(frames: int) -> None:
    samples = 0.1 * np.random.default_rng(frames).standard_normal(frames)
    samples[frames // 3], samples[frames - 1] = 0.9, -0.8
    found = overview_of(samples, 65_536)
    assert found.least.size == found.greatest.size <= 1200
    assert found.greatest.max() == samples.max()
    assert found.least.min() == samples.min()
    assert int(found.least.argmin()) == found.least.size - 1
    assert found.step_s * found.least.size >= frames / RATE_HZ - 1e-9


def test_overview_is_the_same_however_the_samples_come() -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, 300_000)
    whole, pieces = overview_of(samples, 300_000), overview_of(samples, 7_001)
    assert np.array_equal(whole.least, pieces.least)
    assert np.array_equal(whole.greatest, pieces.greatest)


def test_level_falls_as_the_sound_does_and_the_line_lies_on_its_curve() -> None:
    sound = dying_noise(6.0)
    strum = cells(sound, RATE_HZ)
    fall = decay_of_cells(strum, noise_power=0.0)
    trace = strum_trace(1, np.concatenate((np.zeros(ONSET), sound)), ONSET, RATE_HZ, strum, fall.curve)
    assert trace.level.level_db.size <= 240
    time_s = trace.level.start_s + trace.level.step_s * (np.arange(trace.level.level_db.size) + 0.5)
    expected = 20 * math.log10(0.2) - FALL_DB_PER_S * time_s
    assert np.abs(trace.level.level_db - expected).max() < 0.6
    assert trace.curve is not None
    assert trace.fit is not None
    assert fall.db_per_s is not None
    slope = (trace.fit.to_db - trace.fit.from_db) / (trace.fit.to_s - trace.fit.from_s)
    assert -slope == pytest.approx(fall.db_per_s, rel=1e-9)
    at = trace.curve.step_s * np.arange(trace.curve.level_db.size)
    on_line = trace.fit.from_db + slope * (at - trace.fit.from_s)
    within = (at >= trace.fit.from_s) & (at <= trace.fit.to_s)
    assert within.sum() > 20
    assert np.abs(trace.curve.level_db - on_line)[within].max() < 0.3
    assert trace.curve.level_db[0] == 0.0


def test_rise_begins_before_the_onset_as_far_as_the_recording_does() -> None:
    sound = dying_noise(1.0)
    strum = cells(sound, RATE_HZ)
    after = strum_trace(1, np.concatenate((np.zeros(ONSET), sound)), ONSET, RATE_HZ, strum, None).rise
    assert after.start_s == pytest.approx(-0.02)
    assert np.isnan(after.level_db[:20]).all()
    assert np.isfinite(after.level_db[20:]).all()
    assert after.level_db.size == 140
    assert strum_trace(1, sound, 0, RATE_HZ, strum, None).rise.start_s == 0.0


def test_document_has_null_for_silence_and_is_plain_json() -> None:
    samples = np.concatenate((np.zeros(ONSET), dying_noise(1.0)))
    strum = cells(np.zeros(RATE_HZ), RATE_HZ)
    trace = strum_trace(3, samples, ONSET, RATE_HZ, strum, None)
    document = traces_document(Traces(overview_of(samples, 65_536), (trace,)))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["strums"][0]["number"] == 3
    assert set(document["strums"][0]["level"]["db"]) == {None}
    assert document["strums"][0]["curve"] is document["strums"][0]["fit"] is None


def test_traces_hold_no_more_than_they_show() -> None:
    sound = dying_noise(6.0)
    strum = cells(sound, RATE_HZ)
    fall = decay_of_cells(strum, noise_power=0.0)
    trace = strum_trace(1, sound, 0, RATE_HZ, strum, fall.curve)
    assert trace.curve is not None
    for course in (trace.rise, trace.level, trace.curve):
        assert course.level_db.base is None or course.level_db.base.size <= 2 * course.level_db.size
