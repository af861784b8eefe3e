"""How strums fall: free strings never slowly and then faster, whatever they are; a held level always."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.limiting import Compression, compression, courses
from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.strums import StrumTimes
from coilbench_worker.measure.survey import Survey, survey

RATE_HZ, HOP = 48_000, 384
FRAME_S = HOP / RATE_HZ
NOISE = 1e-9


@lru_cache(maxsize=1)
def silence() -> Survey:
    return survey(OneChannel(ArraySource(np.zeros(RATE_HZ), RATE_HZ), 0))


def course_of(levels_db: FloatArray) -> Survey:
    assert silence().hop == HOP
    return replace(silence(), power=10 ** (levels_db / 10) + NOISE)


def taken(strums: list[FloatArray], lead: int = 50) -> tuple[Survey, list[StrumTimes]]:
    """Strums of so many levels (dB, a frame each) one after the other, after a quiet lead-in."""
    times, at = [], lead
    for index, levels in enumerate(strums):
        ended_by = "next" if index + 1 < len(strums) else "file-end"
        times.append(StrumTimes(at * HOP, (at + levels.size) * HOP, ended_by))  # type: ignore[arg-type]
        at += levels.size
    return course_of(np.concatenate((np.full(lead, -90.0), *strums))), times


def found(strums: list[FloatArray], passed_over: tuple[int, ...] = ()) -> Compression | None:
    course, times = taken(strums)
    return compression(course, times, NOISE, passed_over)


def falling(*pieces: tuple[float, float], level_db: float = -12.0) -> FloatArray:
    """Level that falls by so many dB/s for so many seconds, piece after piece."""
    slopes = np.concatenate([np.full(round(seconds / FRAME_S), rate) for rate, seconds in pieces])
    return level_db - np.cumsum(slopes) * FRAME_S


@settings(max_examples=60, deadline=None)
@given(
    modes=st.lists(st.tuples(st.floats(2.5, 80.0), st.floats(-40.0, 0.0)), min_size=1, max_size=6),
    length_s=st.floats(0.3, 6.0),
    count=st.integers(1, 5),
)
def test_sums_of_dying_modes_are_never_blamed(modes: list[tuple[float, float]], length_s: float, count: int) -> None:
    """Closed form: the logarithm of a sum of exponentials is convex."""
    time_s = np.arange(round(length_s / FRAME_S)) * FRAME_S
    power = sum(10 ** ((level - rate * time_s - 12) / 10) for rate, level in modes)
    assert found([10 * np.log10(np.asarray(power))] * count) is None


@pytest.mark.parametrize("hold_s", [0.6, 1.0, 1.5])
def test_level_that_is_held_and_then_falls_is_told_with_both_slopes(hold_s: float) -> None:
    told = found([falling((0.0, hold_s), (10.0, 1.5))] * 3)
    assert told is not None
    assert told.strums == (1, 2, 3)
    assert told.early_db_per_s == pytest.approx(0.0, abs=0.3)
    assert told.late_db_per_s == pytest.approx(10.0, abs=0.3)
    assert told.reduction_db == pytest.approx(10.0 * (hold_s - 0.15), abs=0.6)


def test_level_that_is_held_throughout_is_told_without_a_reduction() -> None:
    told = found([falling((0.5, 1.5))] * 2)
    assert told is not None
    assert told.reduction_db is None
    assert told.early_db_per_s == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(("ratio", "seen"), [(1.0, False), (1.5, False), (2.2, False), (3.0, True), (4.0, True)])
def test_bend_counts_from_two_and_a_half_times(ratio: float, seen: bool) -> None:
    """The gain control of a battery-powered pickup, 1.5:1 at most, is not blamed."""
    strums = [falling((9.0 / ratio, 1.2), (9.0, 1.2))] * 3
    assert (found(strums) is not None) is seen


@pytest.mark.parametrize("rate_db_per_s", [20.0, 60.0, 300.0])
def test_hand_that_damps_ringing_strings_is_not_blamed(rate_db_per_s: float) -> None:
    assert found([falling((6.0, 0.8), (rate_db_per_s, 0.6))] * 4) is None


@pytest.mark.parametrize(
    ("held", "free", "seen"), [(1, 0, False), (2, 0, True), (2, 1, True), (3, 3, False), (6, 4, True)]
)
def test_two_strums_and_three_in_five_must_show_it(held: int, free: int, seen: bool) -> None:
    strums = [falling((0.0, 1.0), (10.0, 1.0))] * held + [falling((12.0, 0.5), (8.0, 1.5))] * free
    assert (found(strums) is not None) is seen


def test_fade_out_of_the_last_strum_is_not_blamed() -> None:
    free = falling((9.0, 2.0))
    fading = free + 20 * np.log10(np.linspace(1.0, 0.01, free.size))
    assert found([free, free, fading]) is None


def test_strum_is_looked_at_until_one_that_may_have_been_missed() -> None:
    """A second stroke 1 s into the first brings the level up again."""
    missed = np.concatenate((falling((9.0, 1.0)), falling((9.0, 1.0))))
    course, times = taken([missed, missed])
    inside = [time.onset + round(1.0 / FRAME_S) * HOP for time in times]
    for fall in courses(course, times, NOISE, inside):
        assert fall.length_s < 0.9
        assert fall.whole_db_per_s == pytest.approx(9.0, abs=0.3)
    assert compression(course, times, NOISE, inside) is None


def test_strum_in_the_noise_is_not_called_held() -> None:
    """It stands 10 dB above the noise throughout: below 13 dB nothing is claimed."""
    held = np.full(200, 10 * np.log10(NOISE) + 10)
    assert found([held] * 3) is None
    assert found([held + 10] * 3) is not None


@pytest.mark.parametrize("length_s", [0.2, 0.5])
def test_strums_too_short_to_fall_are_not_judged(length_s: float) -> None:
    course, times = taken([falling((0.0, length_s))] * 4)
    assert courses(course, times, NOISE) == []
    assert compression(course, times, NOISE) is None


def test_unknown_noise_is_taken_for_the_lowest_level_there_is() -> None:
    course, times = taken([falling((0.0, 1.0), (10.0, 1.0))] * 3)
    assert compression(course, times, None) is not None
    flat = course_of(np.full(600, -20.0))
    assert (
        compression(flat, [StrumTimes(0, 300 * HOP, "next"), StrumTimes(300 * HOP, 600 * HOP, "file-end")], None)
        is None
    )


def test_take_without_strums_is_not_blamed() -> None:
    assert compression(course_of(np.full(100, -80.0)), [], NOISE) is None
