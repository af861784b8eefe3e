"""The outbox of call-backs: entered with the end of a take, claimed once, noted once."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import delete, event, update

from arrivals import PlainSettings, arrive
from coilbench_worker import jobs
from coilbench_worker.jobs.outcome import end
from coilbench_worker.store import callbacks, deliveries
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.deliveries import HeldDelivery
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import callbacks as callback_table
from coilbench_worker.store.schema import files as file_table
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import takes as take_table
from correspondence import PROBLEM, call_back, claimed, end_take, known, let_time_pass, told
from services import PostgresServer

LEASE_S = 90


class Fault(Exception):
    """Something breaks in the middle of a transaction."""


@pytest.fixture(scope="module", params=["sqlite", "postgres"])
def migrated(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """A database with all tables, SQLite and PostgreSQL in turn, for all tests here."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path_factory.mktemp('database') / 'coilbench.sqlite'}"
    else:
        server: PostgresServer = request.getfixturevalue("postgres_server")
        name = f"test_{uuid.uuid4().hex}"
        server.execute(f"CREATE DATABASE {name}")
        url = server.url(name)
    database = Database(url)
    database.migrate()
    yield database
    database.close()


@pytest.fixture
def database(migrated: Database) -> Database:
    """The same, empty."""
    with migrated.write() as connection:
        for table in (callback_table, take_table, file_table):
            connection.execute(delete(table))
    return migrated


def held(database: Database) -> HeldDelivery:
    """The next claim, which there must be."""
    found = deliveries.claim(database, lease_s=LEASE_S)
    assert found is not None
    return found


def test_the_end_of_a_take_is_entered_for_every_call_back_that_wants_to_know(database: Database, blobs: Blobs) -> None:
    every = call_back(database)
    failures = call_back(database, states=["failed"])
    evening = call_back(database, session="evening", states=["measured", "rejected"])
    stopped = call_back(database)
    with database.write() as connection:
        callbacks.stop(connection, stopped.id, "test")
    first = end_take(database, blobs, {"label": "a", "session": "evening", "pickup": "mill-bridge", "notes": "secret"})
    second = end_take(database, blobs, {"session": "morning"}, state="rejected")
    third = end_take(database, blobs, state="failed")
    assert [one.take_id for one in told(database, every)] == [first.id, second.id, third.id]
    assert [one.body["type"] for one in told(database, every)] == ["take.measured", "take.rejected", "take.failed"]
    assert [one.take_id for one in told(database, failures)] == [third.id]
    assert [one.take_id for one in told(database, evening)] == [first.id]
    assert told(database, stopped) == []
    measured, rejected = (one.body["data"]["take"] for one in told(database, every)[:2])
    assert measured == {
        "id": first.id,
        "state": "measured",
        "label": "a",
        "session": "evening",
        "pickup": "mill-bridge",
        "problem": None,
        "links": {"self": f"/v1/takes/{first.id}", "measurement": f"/v1/takes/{first.id}/measurement"},
    }
    assert rejected["problem"] == PROBLEM


def test_what_is_told_is_kept_with_the_end_of_the_take_or_not_at_all(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    take = arrive(database, blobs)
    claim = claimed(database, take)

    def break_off() -> None:
        with database.write() as connection:
            assert end(connection, claim, "measured", None)
            assert len(deliveries.page(connection, callback.id, 2).items) == 1
            raise Fault

    with pytest.raises(Fault):
        break_off()
    assert told(database, callback) == []
    assert jobs.finish(database, claim, {"version": "1"})
    assert not jobs.finish(database, claim, {"version": "1"})  # a second finisher tells nobody
    assert len(told(database, callback)) == 1


def test_a_take_that_is_given_up_is_told_as_failed(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    take = arrive(database, blobs)
    for _ in range(3):
        assert told(database, callback) == []
        claim = claimed(database, take)
        with database.write() as connection:
            past = now() - timedelta(seconds=1)
            connection.execute(update(job_table).where(job_table.c.id == claim.job_id).values(lease_until=past))
        jobs.due(database, max_attempts=3, lease_s=60, republish_after_s=30)
    (told_once,) = told(database, callback)
    assert told_once.body["data"]["take"]["problem"]["type"] == "/problems/attempts-used-up"


def test_a_take_that_is_measured_again_is_told_again(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    take = end_take(database, blobs)
    other = PlainSettings({"channel": 2})
    with database.write() as connection:
        again = jobs.request(connection, take.id, other, version="1")
    assert jobs.finish(database, claimed(database, again), {"version": "1", "traces": {}})
    assert len(told(database, callback)) == 2
    with database.write() as connection:  # as it is: nothing to tell
        jobs.request(connection, take.id, other, version="1")
    assert len(told(database, callback)) == 2


def test_each_delivery_is_claimed_once_and_an_address_gets_one_at_a_time(database: Database, blobs: Blobs) -> None:
    for url in ("https://a.example/", "https://b.example/", "https://c.example/"):
        call_back(database, url)
    for _ in range(4):
        end_take(database, blobs)
    seen: list[str] = []
    busy: set[str] = set()
    lock = threading.Lock()
    faults: list[BaseException] = []

    def send() -> None:
        try:
            while (mine := deliveries.claim(database, lease_s=LEASE_S)) is not None:
                with lock:
                    assert mine.callback_id not in busy
                    busy.add(mine.callback_id)
                    seen.append(mine.id)
                with lock:
                    busy.discard(mine.callback_id)
                with database.write() as connection:
                    assert deliveries.delivered(connection, mine, status=204, outcome="Answered 204.")
        except BaseException as error:
            faults.append(error)

    while len(seen) < 12 and not faults:  # a thread ends when it finds all addresses busy
        threads = [threading.Thread(target=send) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert faults == []
    assert len(seen) == len(set(seen)) == 12


def test_addresses_have_their_turn_one_after_another(database: Database, blobs: Blobs) -> None:
    ids = {call_back(database, url).id for url in ("https://a.example/", "https://b.example/")}
    for _ in range(3):
        end_take(database, blobs)
    order = []
    for _ in range(6):
        mine = held(database)
        order.append(mine.callback_id)
        with database.write() as connection:
            deliveries.delivered(connection, mine, status=204, outcome="")
    assert {*order[:2]} == {*order[2:4]} == {*order[4:]} == ids


def test_a_claim_whose_lease_ran_out_is_another_s_and_a_late_word_changes_nothing(
    database: Database, blobs: Blobs
) -> None:
    callback = call_back(database)
    end_take(database, blobs)
    late = held(database)
    assert deliveries.claim(database, lease_s=LEASE_S) is None
    let_time_pass(database)
    mine = held(database)
    assert (mine.id, mine.attempt, late.attempt) == (late.id, 2, 1)
    with database.write() as connection:
        assert not deliveries.delivered(connection, late, status=204, outcome="late")
        assert not deliveries.failed(connection, late, status=None, outcome="late", again_after_s=None)
        assert deliveries.delivered(connection, mine, status=200, outcome="Answered 200.")
        assert not deliveries.failed(connection, mine, status=None, outcome="twice", again_after_s=1)
    (one,) = told(database, callback)
    assert (one.status, one.outcome, one.due, one.attempt) == (200, "Answered 200.", None, 2)
    assert one.ended is not None
    assert known(database, callback).failures == 0


def test_failures_are_counted_until_one_arrives(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    end_take(database, blobs)
    for number in (1, 2):
        mine = held(database)
        with database.write() as connection:
            assert deliveries.failed(connection, mine, status=500, outcome="500", again_after_s=3600)
        after = known(database, callback)
        assert after.failures == number
        assert after.failing_since is not None
        assert deliveries.claim(database, lease_s=LEASE_S) is None
        let_time_pass(database)
    mine = held(database)
    with database.write() as connection:
        assert deliveries.delivered(connection, mine, status=204, outcome="")
    assert (known(database, callback).failures, known(database, callback).failing_since) == (0, None)


def test_a_stopped_call_back_gets_nothing_more_and_can_be_started_again(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    end_take(database, blobs)
    mine = held(database)
    with database.write() as connection:
        callbacks.stop(connection, callback.id, "It answered 410.")
        callbacks.stop(connection, callback.id, "A second reason.")
    with database.write() as connection:
        assert not deliveries.delivered(connection, mine, status=204, outcome="")
    end_take(database, blobs)
    let_time_pass(database)
    assert deliveries.claim(database, lease_s=LEASE_S) is None
    (one,) = told(database, callback)
    assert one.ended is not None
    assert one.outcome == callbacks.STOPPED
    assert known(database, callback).reason == "It answered 410."
    with database.write() as connection:
        callbacks.start(connection, callback.id)
    end_take(database, blobs)
    assert held(database).attempt == 1


def test_a_clock_that_was_ahead_keeps_no_address_waiting_for_long(database: Database, blobs: Blobs) -> None:
    call_back(database)
    end_take(database, blobs)
    with database.write() as connection:
        connection.execute(update(callback_table).values(rests_until=now() + timedelta(days=30)))
    assert held(database).attempt == 1


def test_what_belongs_to_a_call_back_or_a_take_goes_with_it(database: Database, blobs: Blobs) -> None:
    first, second = call_back(database), call_back(database)
    gone, stays = end_take(database, blobs), end_take(database, blobs)
    with database.write() as connection:
        assert callbacks.remove(connection, first.id)
        assert not callbacks.remove(connection, first.id)
    assert jobs.remove(database, blobs, gone.id)
    assert [one.take_id for one in told(database, second)] == [stays.id]
    assert told(database, first) == []


def test_takes_end_while_call_backs_come_and_go(database: Database, blobs: Blobs) -> None:
    takes = [arrive(database, blobs) for _ in range(12)]
    claims = [claimed(database, take) for take in takes]
    faults: list[BaseException] = []
    done = threading.Event()

    def come_and_go() -> None:
        try:
            while not done.is_set():
                made = call_back(database)
                with database.write() as connection:
                    callbacks.remove(connection, made.id)
        except BaseException as error:
            faults.append(error)

    thread = threading.Thread(target=come_and_go)
    thread.start()
    try:
        assert all(jobs.finish(database, claim, {"version": "1"}) for claim in claims)
    finally:
        done.set()
        thread.join()
    assert faults == []


def test_pages_begin_with_the_newest_and_old_ends_are_forgotten(database: Database, blobs: Blobs) -> None:
    callback = call_back(database)
    takes = [end_take(database, blobs).id for _ in range(3)]
    mine = held(database)
    with database.write() as connection:
        deliveries.delivered(connection, mine, status=204, outcome="")
    with database.read() as connection:
        first = deliveries.page(connection, callback.id, 2)
        rest = deliveries.page(connection, callback.id, 2, first.next)
    assert [one.take_id for one in (*first.items, *rest.items)] == takes[::-1]
    assert rest.next is None
    with database.write() as connection:
        assert deliveries.forget_before(connection, now() - timedelta(days=1)) == 0
        assert deliveries.forget_before(connection, now() + timedelta(seconds=1)) == 1
    assert [one.take_id for one in told(database, callback)] == takes[1:]


def test_trials_have_no_take_and_keep_apart(database: Database) -> None:
    callback = call_back(database)
    with database.write() as connection:
        trial = deliveries.enter_trial(connection, callback.id, apart_s=10)
        assert trial is not None
        assert deliveries.enter_trial(connection, callback.id, apart_s=10) is None
        assert deliveries.enter_trial(connection, callback.id, apart_s=0) is not None
    assert (trial.take_id, trial.body["type"]) == (None, deliveries.TRIAL)
    assert held(database).id == trial.id


def test_looking_for_what_is_due_passes_over_what_is_over(sqlite_url: str) -> None:
    """A month of deliveries that arrived is kept, and every worker looks every few seconds."""
    database = Database(sqlite_url)
    database.migrate()
    asked: list[tuple[str, object]] = []
    event.listen(database.engine, "before_cursor_execute", lambda *call: asked.append((call[2], call[3])))
    assert deliveries.claim(database, lease_s=LEASE_S) is None
    statement, values = next(one for one in asked if "deliveries" in one[0])
    with database.read() as connection:
        plan = str(connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all())  # type: ignore[arg-type]
    assert "ix_deliveries_callback_id_due (callback_id=? AND due>?)" in plan
    database.close()
