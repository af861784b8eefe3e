"""Pauses, rests, and the end of patience."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from coilbench_worker.callbacks import schedule

NOW = datetime(2026, 11, 28, tzinfo=UTC)


def test_pauses_grow_for_more_than_a_day_and_then_it_is_given_up() -> None:
    pauses = [schedule.pause_s(attempt) for attempt in range(1, schedule.TRIES)]
    assert all(pause is not None for pause in pauses)
    known = [pause for pause in pauses if pause is not None]
    assert known == sorted(known)
    assert 4.9 < known[0] < 6
    assert 24 * 3600 < sum(known) < 3 * 24 * 3600
    assert schedule.pause_s(schedule.TRIES) is None
    assert schedule.pause_s(schedule.TRIES + 5) is None


def test_what_failed_together_does_not_come_back_together() -> None:
    assert len({schedule.pause_s(3) for _ in range(20)}) > 10


def test_an_address_rests_longer_with_each_failure_up_to_a_bound() -> None:
    rests = [schedule.rest_s(failures) for failures in range(1, 12)]
    assert rests[:3] == [5, 10, 20]
    assert rests[-1] == schedule.rest_s(10**9) == 300


def test_only_many_failures_over_a_long_time_stop_a_call_back() -> None:
    long_ago, lately = NOW - timedelta(days=3), NOW - timedelta(hours=3)
    assert schedule.hopeless(20, long_ago, NOW)
    assert not schedule.hopeless(19, long_ago, NOW)
    assert not schedule.hopeless(5000, lately, NOW)
    assert not schedule.hopeless(20, None, NOW)
