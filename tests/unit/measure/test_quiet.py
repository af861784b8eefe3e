"""The noise floor and the quiet stretches, on courses whose floor is known."""

import numpy as np
import pytest

from coilbench_worker.measure.quiet import LEAST_FLOOR, noise_floor, quiet_stretches
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import BANDS, Survey

HOP, RATE_HZ = 384, 48_000
NOISE = 1e-7
FRAME_S = HOP / RATE_HZ


def course(power: FloatArray) -> Survey:
    empty = np.zeros(power.size, dtype=np.float32)
    bands = np.zeros((power.size, BANDS), dtype=np.float32)
    return Survey(RATE_HZ, HOP, power, np.zeros(power.size, dtype=bool), bands, empty, empty, 0.0, None)


def take(onsets_s: list[float], seconds: float, *, db_per_s: float, noise: float = NOISE) -> tuple[Survey, list[int]]:
    """Strums of -20 dB that die away over the noise, each replaced by the next."""
    time_s = np.arange(0.0, seconds, FRAME_S)
    power = np.full(time_s.size, noise)
    for onset_s, stop_s in zip(onsets_s, [*onsets_s[1:], seconds], strict=True):
        ringing = (time_s >= onset_s) & (time_s < stop_s)
        power[ringing] += 10 ** ((-20.0 - db_per_s * (time_s[ringing] - onset_s)) / 10)
    return course(power), [round(onset_s * RATE_HZ) for onset_s in onsets_s]


def test_lead_in_gives_the_floor() -> None:
    assert noise_floor(*take([0.5, 2.5], 4.5, db_per_s=8.0)) == pytest.approx(NOISE, rel=0.01)


def test_pause_that_no_longer_falls_gives_the_floor() -> None:
    assert noise_floor(*take([0.0, 3.0], 6.0, db_per_s=60.0)) == pytest.approx(NOISE, rel=0.15)


def test_take_that_never_comes_to_rest_has_none() -> None:
    assert noise_floor(*take([0.0, 2.0], 4.0, db_per_s=8.0)) is None


def test_silent_lead_in_gives_the_least_floor() -> None:
    assert noise_floor(*take([0.5], 4.5, db_per_s=8.0, noise=0.0)) == pytest.approx(LEAST_FLOOR)


def test_recording_without_strums_is_all_lead_in() -> None:
    assert noise_floor(course(np.full(500, NOISE)), []) == pytest.approx(NOISE)


@pytest.mark.parametrize("frames", [1, 2, 10])
def test_recording_of_a_moment_has_no_floor(frames: int) -> None:
    assert noise_floor(course(np.full(frames, NOISE)), [0]) is None


def test_quiet_stretches_are_whole_pieces_near_the_floor_and_inside_the_spans() -> None:
    power = np.full(1000, NOISE)
    power[400:500] *= 100.0
    spans = [(0, 600 * HOP), (700 * HOP, 1000 * HOP)]
    found = quiet_stretches(course(power), spans, NOISE)
    assert found
    assert all(start < stop for start, stop in found)
    assert all(any(begin <= start and stop <= end for begin, end in spans) for start, stop in found)
    assert all(power[start // HOP : stop // HOP].mean() <= 2.0 * NOISE for start, stop in found)
    assert sum(stop - start for start, stop in found) >= (1000 - 100 - 100 - 4 * 25) * HOP


def test_pieces_that_follow_each_other_are_one_stretch() -> None:
    assert quiet_stretches(course(np.full(1000, NOISE)), [(0, 1000 * HOP)], NOISE) == [(0, 1000 * HOP)]


@pytest.mark.parametrize("frames", [26, 37, 49, 50, 51, 71, 88])
def test_span_that_is_no_whole_number_of_pieces_is_kept_to_its_end(frames: int) -> None:
    """0.57 s of lead-in are long enough for hum to be looked for; two whole pieces of 0.2 s would not be."""
    span = (10 * HOP, (10 + frames) * HOP)
    assert quiet_stretches(course(np.full(1000, NOISE)), [span], NOISE) == [span]


def test_loud_end_of_a_span_is_left_out() -> None:
    power = np.full(1000, NOISE)
    power[90:100] *= 100.0
    ((start, stop),) = quiet_stretches(course(power), [(0, 100 * HOP)], NOISE)
    assert start == 0
    assert stop <= 90 * HOP


@pytest.mark.parametrize(("length_s", "kept"), [(0.03, False), (0.10, True), (0.15, True)])
def test_short_span_is_one_piece_or_nothing(length_s: float, kept: bool) -> None:
    spans = [(HOP, HOP + round(length_s * RATE_HZ))]
    assert bool(quiet_stretches(course(np.full(1000, NOISE)), spans, NOISE)) is kept


def test_no_spans_give_no_stretches() -> None:
    assert quiet_stretches(course(np.full(100, NOISE)), [], NOISE) == []
