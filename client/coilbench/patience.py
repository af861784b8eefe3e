"""How often and how long to try again.

Waits grow by doubling with jitter (so that many clients do not come back at one instant); a `Retry-After` (RFC 9110,
10.2.3: seconds or a date) is honoured as a lower bound.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

BEFORE_FIRST_ANSWER = 2
"""Retries while the service has not answered once: a service that was never started should be reported soon."""


@dataclass(frozen=True)
class Patience:
    """Settings of the retries.

    Attributes
    ----------
    retries : tries after the first
    first_wait_s : before the first retry, s; doubled for each further one
    longest_wait_s : bound of the doubling, s
    longest_asked_s : a `Retry-After` beyond this is not waited for, s
    pause : waits for so many seconds
    chance : a number in [0, 1), for the jitter
    """

    retries: int = 6
    first_wait_s: float = 0.5
    longest_wait_s: float = 20.0
    longest_asked_s: float = 300.0
    pause: Callable[[float], None] = time.sleep
    chance: Callable[[], float] = random.random

    def wait_s(self, retry: int, asked_s: float | None = None) -> float | None:
        """Seconds to wait before a retry, or None to give up.

        Parameters
        ----------
        retry : 0 for the first retry
        asked_s : what the service asked for, s, or None
        """
        if retry >= self.retries or (asked_s is not None and asked_s > self.longest_asked_s):
            return None
        step = min(self.first_wait_s * 2.0**retry, self.longest_wait_s)
        jittered = step * (0.5 + self.chance())
        return jittered if asked_s is None else asked_s + 0.25 * jittered


def asked_wait_s(header: str | None, *, now: datetime | None = None) -> float | None:
    """Seconds that a `Retry-After` header asks for; None when there is none that can be read.

    Parameters
    ----------
    header : seconds or an HTTP date
    now : for dates; the present by default
    """
    if not header:
        return None
    text = header.strip()
    if text.isdecimal():
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - (now or datetime.now(UTC))).total_seconds())
