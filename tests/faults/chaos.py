"""Faults at random moments while a fleet works: each act breaks one thing, waits, and leaves the fleet whole."""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress

from faults.fleet import Fleet
from faults.fleet_process import FleetProcess

Act = Callable[[Fleet, random.Random], bool]
"""Returns whether there was anything to break: a process that is still starting is left alone."""
LONGEST_DOWN_S = 1.0


def chaos(
    fleet: Fleet,
    seed: int,
    minutes: float,
    actions: Mapping[str, Act],
    *,
    between_s: tuple[float, float] = (0.2, 2.0),
    enough: Callable[[], bool] = lambda: False,
) -> Counter[str]:
    """Do one of the acts, drawn by lot, again and again; what was done, and how often.

    Parameters
    ----------
    minutes : no act is begun later
    actions : acts by name
    between_s : shortest and longest pause between two acts, s
    enough : asked before each act; True ends it early
    """
    drawn = random.Random(seed)
    done: Counter[str] = Counter()
    end = time.monotonic() + 60 * minutes
    while time.monotonic() < end and not enough():
        time.sleep(drawn.uniform(*between_s))
        name = drawn.choice(sorted(actions))
        done[name] += actions[name](fleet, drawn)
    return done


def worker_killed(fleet: Fleet, drawn: random.Random) -> bool:
    """A worker with its measuring processes, and started again."""
    return _killed(drawn.choice(fleet.workers), drawn)


def worker_killed_alone(fleet: Fleet, drawn: random.Random) -> bool:
    """A worker without its measuring processes, which must end by themselves, and started again."""
    process = drawn.choice(fleet.workers)
    if not process.ready:
        return False
    process.kill_alone()
    _pause(drawn)
    process.start()
    return True


def measuring_process_killed(fleet: Fleet, drawn: random.Random) -> bool:
    """One measuring process of a worker."""
    children = fleet.measuring_processes(drawn.choice(fleet.workers))
    if children:
        with suppress(ProcessLookupError):
            os.kill(drawn.choice(children), signal.SIGKILL)
    return bool(children)


def worker_stopped(fleet: Fleet, drawn: random.Random) -> bool:
    """A worker told to stop, as in an upgrade, and started again."""
    process = drawn.choice(fleet.workers)
    if not process.ready:
        return False
    code = process.stop()
    assert code == 0, f"{process.name} ended with code {code}:\n{process.said[-3000:]}"
    process.start()
    return True


def worker_frozen(fleet: Fleet, drawn: random.Random) -> bool:
    """A worker that stands still for longer than its lease, and goes on as if nothing had been."""
    process = drawn.choice(fleet.workers)
    if not process.ready:
        return False
    process.freeze()
    time.sleep(fleet.configuration.lease_s * drawn.uniform(1.2, 1.6))
    process.thaw()
    return True


def api_killed(fleet: Fleet, drawn: random.Random) -> bool:
    """An API process, and started again."""
    return _killed(drawn.choice(fleet.apis), drawn)


def redis_killed(fleet: Fleet, drawn: random.Random) -> bool:
    """Redis, which starts again empty or with what it had, as the fleet has it."""
    fleet.redis.kill()
    _pause(drawn)
    fleet.redis.start()
    return True


def redis_frozen(fleet: Fleet, drawn: random.Random) -> bool:
    """Redis that keeps its connections and does not answer."""
    fleet.redis.freeze()
    time.sleep(drawn.uniform(1.0, 4.0))
    fleet.redis.thaw()
    return True


def postgres_killed(fleet: Fleet, drawn: random.Random) -> bool:
    """PostgreSQL with the processes of all connections; it recovers as it starts again."""
    assert fleet.postgres is not None
    fleet.postgres.kill()
    _pause(drawn)
    fleet.postgres.start()
    return True


def postgres_away(seconds: float) -> Act:
    """PostgreSQL ended for so long."""

    def away(fleet: Fleet, _drawn: random.Random) -> bool:
        assert fleet.postgres is not None
        fleet.postgres.stop()
        time.sleep(seconds)
        fleet.postgres.start()
        return True

    return away


def said_again(fleet: Fleet, _drawn: random.Random) -> bool:
    """The words of the last jobs, waiting, in hand or done, five times each."""
    fleet.say_again(5)
    return True


EVERY: Mapping[str, Act] = {
    "worker killed": worker_killed,
    "worker killed alone": worker_killed_alone,
    "measuring process killed": measuring_process_killed,
    "worker stopped": worker_stopped,
    "worker frozen": worker_frozen,
    "API killed": api_killed,
    "Redis killed": redis_killed,
    "Redis frozen": redis_frozen,
    "PostgreSQL killed": postgres_killed,
    "words repeated": said_again,
}


def _killed(process: FleetProcess, drawn: random.Random) -> bool:
    if not process.ready:
        return False
    process.kill()
    _pause(drawn)
    process.start()
    return True


def _pause(drawn: random.Random) -> None:
    time.sleep(drawn.uniform(0.0, LONGEST_DOWN_S))
