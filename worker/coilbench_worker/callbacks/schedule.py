"""When a delivery that failed is tried again, how long its call-back rests, and when that is stopped.

A delivery has its own growing pauses, about 32 hours in all. The rest is the call-back's: while an address fails, a
thousand waiting messages are not tried one after another, and other call-backs have their turn.
"""

from __future__ import annotations

import random
from datetime import datetime, timedelta

from coilbench_worker.store.deliveries import LONGEST_REST_S

PAUSES_S = (5.0, 300.0, 1_800.0, 7_200.0, 18_000.0, 36_000.0, 50_400.0)
"""After the first try, the second, ...; those that Standard Webhooks proposes, and as many."""
TRIES = len(PAUSES_S) + 1
STRETCH = 0.1
"""Pauses are longer by up to so much, at random, so that what failed together does not come back together."""
FIRST_REST_S = 5.0
MOST_FAILURES = 20
FAILING_FOR = timedelta(days=2)


def pause_s(attempt: int) -> float | None:
    """Seconds from the failure of a try (counted from 1) to the next; None after the last."""
    if attempt >= TRIES:
        return None
    return PAUSES_S[attempt - 1] * random.uniform(1.0, 1.0 + STRETCH)


def rest_s(failures: int) -> float:
    """Seconds for which nothing is sent to an address whose last `failures` tries (1 or more) failed."""
    return float(min(LONGEST_REST_S, FIRST_REST_S * 2.0 ** min(failures - 1, 30)))


def hopeless(failures: int, failing_since: datetime | None, instant: datetime) -> bool:
    """Whether so many tries failed in a row, for so long, that the call-back is stopped."""
    return failures >= MOST_FAILURES and failing_since is not None and instant - failing_since >= FAILING_FOR
