from __future__ import annotations

from sqlalchemy import select, update

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.jobs.expiry import HEAD_OF_QUEUE
from coilbench_worker.store import clock, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.takes import TakeRecord
from moved_clock import moved_clock


def due(database: Database, minutes: float = 0, **changes: object) -> list[str]:
    settings: dict[str, object] = {"max_attempts": 2, "lease_s": 30.0, "republish_after_s": 60.0} | changes
    with moved_clock(60 * minutes):
        return jobs.due(database, **settings)  # type: ignore[arg-type]


def claim(database: Database, take: TakeRecord) -> jobs.Claim:
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, "node/1", lease_s=30, max_attempts=2)
    assert held is not None
    return held


def test_what_was_published_lately_is_not_announced_again(database: Database, blobs: Blobs) -> None:
    arrive(database, blobs)
    assert due(database) == []


def test_what_the_broker_lost_is_announced_again_and_only_once(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    assert due(database, 2) == [take.job_id]
    assert due(database, 2) == []
    assert due(database, 4) == [take.job_id]


def test_what_was_published_to_a_broker_that_is_gone_is_announced_at_once(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    with database.read() as connection:
        began_empty = clock.now(connection)
    assert due(database, published_before=began_empty) == [take.job_id]


def test_jobs_are_announced_in_the_order_of_arrival(database: Database, blobs: Blobs) -> None:
    arrived = [arrive(database, blobs, str(number).encode()).job_id for number in range(10)]
    assert due(database, 2) == arrived


def test_only_the_head_of_a_long_queue_is_announced_in_one_round(database: Database, blobs: Blobs) -> None:
    arrived = [arrive(database, blobs).job_id for _ in range(HEAD_OF_QUEUE + 5)]
    assert due(database, 2, words=len(arrived)) == []
    assert due(database, 2, words=len(arrived) - 1) == arrived[:HEAD_OF_QUEUE], "a word is lost, who knows whose"
    assert due(database, 2) == []
    with database.write() as connection:
        connection.execute(update(job_table).where(job_table.c.id.in_(arrived[:10])).values(state="measured"))
    assert due(database, 2) == arrived[HEAD_OF_QUEUE:]


def test_while_many_words_wait_only_jobs_known_to_have_none_are_announced(database: Database, blobs: Blobs) -> None:
    heard, unheard = arrive(database, blobs), arrive(database, blobs)
    with database.write() as connection:
        connection.execute(update(job_table).where(job_table.c.id == unheard.job_id).values(published=None))
    assert due(database, 2, words=HEAD_OF_QUEUE) == [unheard.job_id]
    assert due(database, 4, words=HEAD_OF_QUEUE) == []
    assert due(database, 4, words=HEAD_OF_QUEUE - 1) == [heard.job_id, unheard.job_id]


def test_a_job_whose_process_died_waits_again_and_is_announced(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    claim(database, take)
    assert due(database, 0.4) == []
    assert due(database, 0.6) == [take.job_id]
    with database.read() as connection:
        found = takes.get(connection, take.id)
    assert found is not None
    assert found.state == "waiting"


def test_a_job_whose_process_died_each_time_fails_with_advice(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    claim(database, take)
    due(database, 1)
    claim(database, take)
    assert due(database, 2) == []
    with database.read() as connection:
        found = takes.get(connection, take.id)
        job = connection.execute(select(job_table).where(job_table.c.id == take.job_id)).one()
    assert found is not None
    assert found.problem is not None
    assert (found.state, job.state) == ("failed", "failed")
    assert found.problem["type"] == "/problems/attempts-used-up"
    assert take.job_id is not None
    assert take.job_id in found.problem["detail"]
    assert "ask for the measurement again" in found.problem["advice"]


def test_a_waiting_job_with_no_attempts_left_fails_and_is_not_announced_for_ever(
    database: Database, blobs: Blobs
) -> None:
    take = arrive(database, blobs)
    for _ in range(2):
        assert jobs.hand_back(database, claim(database, take))
    assert due(database, 2) == []
    with database.read() as connection:
        found = takes.get(connection, take.id)
    assert found is not None
    assert found.state == "failed"


def test_a_passing_fault_is_tried_again_only_after_a_pause(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    jobs.hand_back(database, claim(database, take))
    assert due(database) == []
    assert due(database, 2) == [take.job_id]


def test_what_a_stopping_worker_hands_back_is_announced_at_once(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    claim(database, take)
    jobs.hand_back_all(database, "node")
    assert due(database) == [take.job_id]
