"""Clocks that jump, and hosts whose clocks differ: nothing is held up for the length of a jump, and nothing is lost."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from datetime import timedelta

import pytest
from sqlalchemy import text

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.store import clock, instants, nodes, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from moved_clock import moved_clock
from services import wait_until

LEASE_S = 30.0
DAY_S = 86400.0
ROUND = {"max_attempts": 3, "lease_s": LEASE_S, "republish_after_s": 30.0}
CLAIM = {"lease_s": LEASE_S, "max_attempts": 3}


def claimed(database: Database, job_id: str | None, worker: str = "node/1") -> jobs.Claim:
    assert job_id is not None
    held = jobs.claim(database, job_id, worker, **CLAIM)
    assert held is not None
    return held


def state(database: Database, take_id: str) -> str | None:
    with database.read() as connection:
        return takes.state(connection, take_id)


@pytest.mark.parametrize("jump_s", [DAY_S, -DAY_S])
def test_a_take_whose_process_died_is_measured_soon_after_a_jump_of_the_clock_either_way(
    database: Database, blobs: Blobs, jump_s: float
) -> None:
    take = arrive(database, blobs)
    late = claimed(database, take.job_id)
    with moved_clock(jump_s):
        assert jobs.due(database, **ROUND) == [take.job_id]
        again = claimed(database, take.job_id, "node/2")
        assert not jobs.finish(database, late, {"version": "late"})
        assert jobs.finish(database, again, {"version": "1"})
    assert state(database, take.id) == "measured"


@pytest.mark.parametrize("jump_s", [DAY_S, -DAY_S])
def test_another_worker_may_claim_what_lies_on_the_wrong_side_of_a_jump(
    database: Database, blobs: Blobs, jump_s: float
) -> None:
    take = arrive(database, blobs)
    late = claimed(database, take.job_id)
    with moved_clock(jump_s):
        assert claimed(database, take.job_id, "node/2").attempt == 2
    assert not jobs.finish(database, late, {"version": "1"})


@pytest.mark.parametrize("jump_s", [DAY_S, -DAY_S])
def test_a_word_that_was_lost_before_a_jump_is_said_again_at_once_and_only_once(
    database: Database, blobs: Blobs, jump_s: float
) -> None:
    take = arrive(database, blobs)
    with moved_clock(jump_s):
        assert jobs.due(database, **ROUND) == [take.job_id]
        assert jobs.due(database, **ROUND) == []


def test_a_claim_that_is_extended_after_a_jump_back_stays_with_its_worker(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    held = claimed(database, take.job_id)
    with moved_clock(-DAY_S):
        assert jobs.extend(database, held, lease_s=LEASE_S)
        jobs.due(database, **ROUND)
        assert jobs.finish(database, held, {"version": "1"})


def test_a_lease_that_is_extended_while_somebody_waits_to_take_the_job_away_holds(
    postgres_url: str, blobs: Blobs
) -> None:
    database = Database(postgres_url)
    database.migrate()
    take = arrive(database, blobs)
    held = claimed(database, take.job_id)
    taking_away = threading.Thread(target=jobs.due, args=(database,), kwargs=ROUND)

    def waits() -> bool:
        with database.read() as connection:
            return bool(connection.execute(text("SELECT count(*) FROM pg_locks WHERE NOT granted")).scalar_one())

    with ExitStack() as clock_of_all:
        with database.write() as connection:
            lock_take(connection, take.id)
            with moved_clock(LEASE_S + 10):
                taking_away.start()
                wait_until(waits, "the round waits for the take")
            clock_of_all.enter_context(moved_clock(2 * LEASE_S + 20))
            assert jobs.extend(database, held, lease_s=LEASE_S)
        taking_away.join()
    assert state(database, take.id) == "measuring"
    database.close()


@pytest.mark.parametrize("off_s", [0.9 * LEASE_S, -0.9 * LEASE_S])
def test_a_small_step_of_the_clock_takes_no_claim_away(database: Database, blobs: Blobs, off_s: float) -> None:
    take = arrive(database, blobs)
    claimed(database, take.job_id)
    with moved_clock(off_s):
        assert jobs.due(database, **ROUND) == []
    assert state(database, take.id) == "measuring"


def test_a_start_that_lies_in_the_future_after_a_jump_back_does_not_have_everything_announced_in_each_round(
    database: Database, blobs: Blobs
) -> None:
    """A broker that began empty "tomorrow" is what the process remembers when the clock goes back by a day."""
    with database.read() as connection:
        began = clock.now(connection)
    with moved_clock(-DAY_S):
        arrive(database, blobs)
        assert jobs.due(database, **ROUND, published_before=began) == []


@pytest.mark.parametrize("jump_s", [DAY_S, -DAY_S])
def test_a_worker_that_reported_on_the_other_side_of_a_jump_and_not_since_is_not_present(
    database: Database, jump_s: float
) -> None:
    with database.write() as connection:
        nodes.report(connection, "before", 2)
    with moved_clock(jump_s), database.write() as connection:
        assert nodes.present(connection, 15.0) == []
        nodes.report(connection, "after", 2)
        assert "after" in [node.name for node in nodes.present(connection, 15.0)]


def test_on_postgresql_a_host_whose_own_clock_is_wrong_takes_no_job_from_others(
    postgres_url: str, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = Database(postgres_url)
    database.migrate()
    take = arrive(database, blobs)
    held = claimed(database, take.job_id)
    with database.write() as connection:
        nodes.report(connection, "right", 2)
    of_this_host = instants.now
    monkeypatch.setattr(instants, "now", lambda: of_this_host() + timedelta(days=1))
    assert jobs.claim(database, held.job_id, "wrong/1", **CLAIM) is None
    assert jobs.due(database, **ROUND) == []
    with database.write() as connection:
        nodes.report(connection, "wrong", 2)
        assert {node.name for node in nodes.present(connection, 15.0)} == {"right", "wrong"}
    assert jobs.finish(database, held, {"version": "1"})
    database.close()
