"""How often somebody may ask, and how much he may send: counted by the library `limits`, on Redis where there is one.

On Redis all processes of the service count together. While Redis does not answer, each counts for itself: a limit that
is too generous for a moment harms less than a service that refuses or hangs.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeVar
from urllib.parse import parse_qs, urlsplit

import redis
import structlog
from limits import RateLimitItem, RateLimitItemPerDay, RateLimitItemPerMinute
from limits.storage import MemoryStorage, RedisStorage
from limits.strategies import FixedWindowRateLimiter, SlidingWindowCounterRateLimiter
from redis.backoff import NoBackoff
from redis.retry import Retry

PREFIX = "coilbench-limits"
ANSWERS_WITHIN_S = 1.0
ASK_AGAIN_AFTER_S = 10.0
"""Redis did not answer: for so long nobody waits for it."""
_log = structlog.get_logger(__name__)
Counted = TypeVar("Counted")


@dataclass(frozen=True)
class Policy:
    """What is allowed: `amount` of `unit` in a window.

    requests are counted in a window that slides (a minute); bytes from the first one on for a day, past the limit too.
    """

    name: str
    amount: int
    unit: Literal["requests", "content-bytes"]

    @property
    def window_s(self) -> int:
        """Length of the window, s."""
        return self._item.get_expiry()

    @property
    def _item(self) -> RateLimitItem:
        return RateLimitItemPerMinute(self.amount) if self.unit == "requests" else RateLimitItemPerDay(self.amount)


@dataclass(frozen=True)
class Standing:
    """How somebody stands: `allowed` says of what was just asked; `remaining` >= 0; more comes in `reset_s` >= 1, s."""

    policy: Policy
    allowed: bool
    remaining: int
    reset_s: int


class _Counts:
    def __init__(self, storage: MemoryStorage | RedisStorage) -> None:
        self.sliding = SlidingWindowCounterRateLimiter(storage)
        self.fixed = FixedWindowRateLimiter(storage)

    def standing(self, policy: Policy, who: str, allowed: bool | None = None) -> Standing:
        counts = self.sliding if policy.unit == "requests" else self.fixed
        stats = counts.get_window_stats(policy._item, policy.name, who)
        remaining = max(0, stats.remaining)
        reset_s = min(policy.window_s, max(1, math.ceil(stats.reset_time - time.time())))
        return Standing(policy, remaining > 0 if allowed is None else allowed, remaining, reset_s)


class Rates:
    """The counts of one process, shared with others through Redis.

    Parameters
    ----------
    broker : address as the settings have it; counts stay in this process where it is no Redis
    clock : seconds that only rise; decides when Redis is asked again
    """

    def __init__(self, broker: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._ask_at = 0.0
        self._away = False
        self._own: _Counts | None = None
        self._pool = None if broker.startswith("memory:") else _pool(broker)
        self._shared = None if self._pool is None else _Counts(_redis_storage(self._pool))

    def hit(self, policy: Policy, who: str) -> Standing:
        """Count one request, if it is allowed: what is refused is not counted."""

        def count(counts: _Counts) -> Standing:
            allowed = counts.sliding.hit(policy._item, policy.name, who)
            return counts.standing(policy, who, allowed)

        return self._count(count)

    def spend(self, policy: Policy, who: str, number_bytes: int) -> Standing:
        """Count bytes that were taken in, past the limit too."""

        def count(counts: _Counts) -> Standing:
            counts.fixed.hit(policy._item, policy.name, who, cost=number_bytes)
            return counts.standing(policy, who)

        return self._count(count)

    def look(self, policy: Policy, who: str) -> Standing:
        """How somebody stands; counts nothing."""
        return self._count(lambda counts: counts.standing(policy, who))

    def close(self) -> None:
        """Let the connections go."""
        if self._pool is not None:
            self._pool.disconnect()

    def _count(self, act: Callable[[_Counts], Counted]) -> Counted:
        if self._shared is not None and self._may_ask():
            try:
                found = act(self._shared)
            except (redis.RedisError, OSError) as error:
                self._went_away(error)
            else:
                self._is_back()
                return found
        with self._lock:
            if self._own is None:
                self._own = _Counts(MemoryStorage())
            own = self._own
        return act(own)

    def _may_ask(self) -> bool:
        """Whether to ask Redis; while it is away one caller in a while tries, and only that one waits for it."""
        with self._lock:
            if not self._away:
                return True
            if self._clock() < self._ask_at:
                return False
            self._ask_at = self._clock() + ASK_AGAIN_AFTER_S
            return True

    def _went_away(self, error: Exception) -> None:
        with self._lock:
            first, self._away = not self._away, True
            self._ask_at = self._clock() + ASK_AGAIN_AFTER_S
        if first:
            _log.warning("limits are counted by each process for itself: Redis does not answer", error=str(error))

    def _is_back(self) -> None:
        with self._lock:
            was, self._away = self._away, False
        if was:
            _log.info("limits are counted by all processes together again")


def _pool(broker: str) -> redis.ConnectionPool:
    pool: redis.ConnectionPool = redis.ConnectionPool.from_url(
        _address(broker),
        socket_timeout=ANSWERS_WITHIN_S,
        socket_connect_timeout=ANSWERS_WITHIN_S,
        retry=Retry(NoBackoff(), 0),
    )
    return pool


def _redis_storage(pool: redis.ConnectionPool) -> RedisStorage:
    return RedisStorage("redis://", connection_pool=pool, key_prefix=PREFIX)


def _address(broker: str) -> str:
    """A broker's address as the client of Redis reads it: that of a socket file is written in another way there."""
    parts = urlsplit(broker)
    if parts.scheme != "redis+socket":
        return broker
    number = parse_qs(parts.query).get("virtual_host", ["0"])[0].strip("/")
    login = f"{parts.netloc.rpartition('@')[0]}@" if "@" in parts.netloc else ""
    return f"unix://{login}{parts.path}?db={number}"
