"""Waits for takes to be measured, by answers that the service holds back (`Prefer: wait`, RFC 7240)."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from coilbench.errors import StillMeasuring
from coilbench.sending import take_of
from coilbench.take import Take
from coilbench.transport import Transport

HELD_S = 20
SHORTEST_ROUND_S = 0.5
"""A service that does not hold its answer back is not asked more often than this."""


def wait_for(
    transport: Transport,
    takes: Sequence[Take],
    *,
    timeout_s: float | None = None,
    done: Callable[[Take], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> list[Take]:
    """Wait until every take is final.

    Parameters
    ----------
    transport : to the service
    takes : as they were last seen
    timeout_s : in all, s; None waits as long as it takes
    done : told of each take as it is final, or None
    clock : seconds, monotonic

    Returns
    -------
    The takes in the same order, as they are now

    Raises
    ------
    StillMeasuring : the time is up
    NotFound : a take was deleted meanwhile
    """
    until = None if timeout_s is None else clock() + timeout_s
    now = list(takes)
    for place, take in enumerate(now):
        while not now[place].final:
            left_s = HELD_S if until is None else until - clock()
            if left_s <= 0:
                raise StillMeasuring(now, timeout_s or 0.0)
            began = clock()
            held_s = max(1, min(HELD_S, int(transport.timeout_s / 2), round(left_s)))
            document = transport.document("GET", f"/v1/takes/{take.id}", headers={"Prefer": f"wait={held_s}"})
            now[place] = take_of(document, transport)
            rest_s = SHORTEST_ROUND_S - (clock() - began)
            if not now[place].final and rest_s > 0:
                transport.patience.pause(rest_s)
        if done is not None:
            done(now[place])
    return now
