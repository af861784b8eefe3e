from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select, update

from arrivals import PlainSettings, arrive
from coilbench_worker import jobs
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import measurements as measurement_table
from coilbench_worker.store.takes import TakeRecord

LIMITS = {"lease_s": 60, "max_attempts": 3}
PROBLEM = {"type": "/problems/no-strums", "title": "No strums found", "status": 422, "detail": "", "advice": ""}


def claim(database: Database, take: TakeRecord, worker: str = "node/1") -> jobs.Claim:
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, worker, **LIMITS)
    assert held is not None
    return held


def state(database: Database, take: TakeRecord) -> str:
    with database.read() as connection:
        found = takes.get(connection, take.id)
    assert found is not None
    return found.state


def run_out(database: Database, held: jobs.Claim) -> None:
    with database.write() as connection:
        connection.execute(
            update(job_table).where(job_table.c.id == held.job_id).values(lease_until=now() - timedelta(seconds=1))
        )


def documents(database: Database) -> int:
    with database.read() as connection:
        return connection.execute(select(func.count()).select_from(measurement_table)).scalar_one()


def test_a_take_arrives_waiting_with_its_recording_in_place(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, b"some sound", about={"pickup": "mill-bridge", "label": "first"})
    assert (take.state, take.bytes, take.problem) == ("waiting", 10, None)
    with blobs.open(take.blob) as file:
        assert file.read() == b"some sound"


def test_a_claimed_job_is_measured_and_its_document_kept(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    held = claim(database, take)
    assert (held.take_id, held.attempt, held.tries, held.blob) == (take.id, 1, 1, take.blob)
    assert state(database, take) == "measuring"
    assert jobs.finish(database, held, {"version": "1", "peak_dbfs": -3.25})
    assert state(database, take) == "measured"
    with database.read() as connection:
        found = measurements.current(connection, take.id)
    assert found is not None
    assert (found.document["peak_dbfs"], found.version) == (-3.25, "1")


def test_a_held_job_can_not_be_claimed_again(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    claim(database, take)
    assert take.job_id is not None
    assert jobs.claim(database, take.job_id, "node/2", **LIMITS) is None


def test_a_job_that_does_not_exist_can_not_be_claimed(database: Database) -> None:
    assert jobs.claim(database, "no-such-job", "node/1", **LIMITS) is None


def test_a_job_whose_lease_ran_out_is_claimed_by_another_and_the_late_one_changes_nothing(
    database: Database, blobs: Blobs
) -> None:
    take = arrive(database, blobs)
    late = claim(database, take, "node/1")
    run_out(database, late)
    second = claim(database, take, "node/2")
    assert second.attempt == 2
    assert not jobs.extend(database, late, lease_s=60)
    assert not jobs.finish(database, late, {"version": "1", "by": "late"})
    assert not jobs.reject(database, late, PROBLEM)
    assert not jobs.fail(database, late, PROBLEM)
    assert not jobs.hand_back(database, late)
    assert state(database, take) == "measuring"
    assert jobs.finish(database, second, {"version": "1", "by": "second"})
    assert documents(database) == 1
    with database.read() as connection:
        found = measurements.current(connection, take.id)
    assert found is not None
    assert found.document["by"] == "second"


def test_finishing_twice_keeps_the_first_result(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    held = claim(database, take)
    assert jobs.finish(database, held, {"version": "1", "n": 1})
    assert not jobs.finish(database, held, {"version": "1", "n": 2})
    assert not jobs.fail(database, held, PROBLEM)
    assert state(database, take) == "measured"
    assert documents(database) == 1


@pytest.mark.parametrize(("act", "expected"), [(jobs.reject, "rejected"), (jobs.fail, "failed")])
def test_an_end_without_a_measurement_keeps_its_problem(
    database: Database, blobs: Blobs, act: object, expected: str
) -> None:
    take = arrive(database, blobs)
    assert act(database, claim(database, take), PROBLEM)  # type: ignore[operator]
    with database.read() as connection:
        found = takes.get(connection, take.id)
        assert measurements.current(connection, take.id) is None
    assert found is not None
    assert (found.state, found.problem) == (expected, PROBLEM)


def test_a_lease_is_extended_while_the_claim_holds(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    held = claim(database, take)
    run_out(database, held)
    assert jobs.extend(database, held, lease_s=60)
    assert take.job_id is not None
    assert jobs.claim(database, take.job_id, "node/2", **LIMITS) is None


def test_attempts_that_a_fault_used_up_count_and_those_of_a_stopping_worker_do_not(
    database: Database, blobs: Blobs
) -> None:
    take = arrive(database, blobs)
    for _ in range(5):
        claim(database, take)
        assert jobs.hand_back_all(database, "node") == 1
    assert state(database, take) == "waiting"
    for tries in (1, 2, 3):
        held = claim(database, take)
        assert held.tries == tries
        assert jobs.hand_back(database, held)
    assert held.attempt == 8
    assert take.job_id is not None
    assert jobs.claim(database, take.job_id, "node/1", **LIMITS) is None


def test_a_stopping_worker_hands_back_its_own_jobs_only(database: Database, blobs: Blobs) -> None:
    mine, other = arrive(database, blobs), arrive(database, blobs)
    claim(database, mine, "node/1")
    held = claim(database, other, "node-2/1")
    assert jobs.hand_back_all(database, "node") == 1
    assert (state(database, mine), state(database, other)) == ("waiting", "measuring")
    assert jobs.finish(database, held, {"version": "1"})


def test_many_claim_and_each_job_is_won_once(database: Database, blobs: Blobs) -> None:
    arrived = [arrive(database, blobs, str(number).encode()) for number in range(20)]
    won: list[str] = []
    together = threading.Barrier(8)

    def work(number: int) -> None:
        together.wait()
        for take in arrived:
            assert take.job_id is not None
            if jobs.claim(database, take.job_id, f"node/{number}", **LIMITS) is not None:
                won.append(take.id)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(won) == sorted(take.id for take in arrived)


def test_a_document_with_nan_is_refused_and_the_claim_still_holds(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    held = claim(database, take)
    with pytest.raises(Exception, match="Out of range float values"):
        jobs.finish(database, held, {"version": "1", "peak_dbfs": float("nan")})
    assert state(database, take) == "measuring"
    assert jobs.finish(database, held, {"version": "1"})


def test_the_same_settings_and_version_are_kept_once_for_a_take(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    assert jobs.finish(database, claim(database, take), {"version": "1"})
    with database.write() as connection:
        other = jobs.request(connection, take.id, PlainSettings({"channel": 2}), version="1")
    assert jobs.finish(database, claim(database, other), {"version": "1"})
    with database.write() as connection:
        again = jobs.request(connection, take.id, PlainSettings(), version="2")
    assert again.state == "waiting"
    assert jobs.finish(database, claim(database, again), {"version": "1"})
    assert documents(database) == 2
