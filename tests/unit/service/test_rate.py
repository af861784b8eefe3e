"""Requests in a sliding minute, bytes in a day, and what happens while Redis does not answer."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from structlog.testing import capture_logs

from coilbench_service.allowance import client_network
from coilbench_service.rate import ASK_AGAIN_AFTER_S, Policy, Rates, _address

THREE = Policy("requests", 3, "requests")
KILO = Policy("recordings", 1000, "content-bytes")
NOBODY = "redis://127.0.0.1:1/0"


class Clock:
    """Seconds that rise when a test says so."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The time of day for `limits` and for us."""
    clock = Clock()
    clock.now = 1_800_000_000.0
    monkeypatch.setattr(time, "time", clock)
    return clock


@pytest.fixture
def rates(wall: Clock) -> Iterator[Rates]:
    """Counts in this process."""
    made = Rates("memory://")
    yield made
    made.close()


def test_a_key_has_its_requests_and_no_more_and_another_key_its_own(rates: Rates) -> None:
    assert [rates.hit(THREE, "a").allowed for _ in range(5)] == [True, True, True, False, False]
    assert rates.hit(THREE, "b").allowed


def test_remaining_falls_with_each_request_and_looking_counts_nothing(rates: Rates) -> None:
    assert [rates.hit(THREE, "a").remaining for _ in range(4)] == [2, 1, 0, 0]
    assert [rates.look(THREE, "b").remaining for _ in range(2)] == [3, 3]


def test_requests_come_back_within_two_minutes_and_never_more_than_allowed_at_once(rates: Rates, wall: Clock) -> None:
    assert [rates.hit(THREE, "a").allowed for _ in range(4)] == [True, True, True, False]
    wall.now += 61
    assert [rates.hit(THREE, "a").allowed for _ in range(4)].count(True) < 3  # the last minute still weighs
    wall.now += 120
    assert [rates.hit(THREE, "a").allowed for _ in range(4)] == [True, True, True, False]


def test_after_the_seconds_that_are_told_a_request_is_allowed(rates: Rates, wall: Clock) -> None:
    while (standing := rates.hit(THREE, "a")).allowed:
        wall.now += 1
    for _ in range(3):
        assert 1 <= standing.reset_s <= 60
        wall.now += standing.reset_s
        if (standing := rates.hit(THREE, "a")).allowed:
            return
    pytest.fail("a client that heeds Retry-After is kept out")


def test_bytes_are_counted_past_the_limit_and_come_back_after_a_day(rates: Rates, wall: Clock) -> None:
    assert rates.spend(KILO, "a", 900).remaining == 100
    over = rates.spend(KILO, "a", 900)
    assert (over.allowed, over.remaining) == (False, 0)
    assert over.reset_s == 86_400
    wall.now += 80_000
    assert (rates.look(KILO, "a").remaining, rates.look(KILO, "a").reset_s) == (0, 6400)
    wall.now += 6401
    assert rates.look(KILO, "a").remaining == 1000


def test_two_limits_of_one_key_do_not_meet(rates: Rates) -> None:
    rates.spend(KILO, "a", 5000)
    assert rates.hit(THREE, "a").allowed


def test_without_redis_each_process_counts_and_says_so_once() -> None:
    rates = Rates(NOBODY)
    with capture_logs() as lines:
        allowed = [rates.hit(THREE, "a").allowed for _ in range(5)]
    assert allowed == [True, True, True, False, False]
    assert [line["log_level"] for line in lines] == ["warning"]
    assert "Redis does not answer" in lines[0]["event"]


def test_a_redis_that_went_away_is_asked_again_only_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, asked = Clock(), []
    rates = Rates(NOBODY, clock)
    monkeypatch.setattr(rates._shared.sliding, "hit", lambda *_: asked.append(1) or _refuse())
    for _ in range(4):
        rates.hit(THREE, "a")
    assert len(asked) == 1
    clock.now += ASK_AGAIN_AFTER_S
    for _ in range(4):
        rates.hit(THREE, "a")
    assert len(asked) == 2


def _refuse() -> None:
    raise ConnectionRefusedError("nobody listens")


@pytest.mark.parametrize(
    ("broker", "address"),
    [
        ("redis://:a%2Fb@host:6379/1", "redis://:a%2Fb@host:6379/1"),
        ("rediss://host:6379/0", "rediss://host:6379/0"),
        ("redis+socket:///run/redis.sock", "unix:///run/redis.sock?db=0"),
        ("redis+socket://:pass@/run/redis.sock?virtual_host=2", "unix://:pass@/run/redis.sock?db=2"),
    ],
)
def test_the_address_of_the_broker_is_that_of_the_counts(broker: str, address: str) -> None:
    assert _address(broker) == address


@pytest.mark.parametrize(
    ("address", "whom"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("nonsense", "unknown"),
        (None, "unknown"),
    ],
)
def test_failures_are_held_against_an_address_or_the_network_of_one_site(address: str | None, whom: str) -> None:
    assert client_network(address) == whom
