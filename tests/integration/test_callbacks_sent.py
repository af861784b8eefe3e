"""Call-backs as they are sent: to a real receiver on the loopback address, by one sender, by two, by one that dies."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update
from standardwebhooks.webhooks import Webhook

from coilbench_worker.callbacks import schedule
from coilbench_worker.callbacks.reach import Reach
from coilbench_worker.callbacks.sender import Sender
from coilbench_worker.callbacks.sending import Carrier
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import callbacks as callback_table
from correspondence import HOOK, PROBLEM, call_back, end_take, known, let_time_pass, told
from receiver import LOOPBACK, Receiver, receiving
from services import wait_until
from working import Shop, WorkerProcess

HERE = Reach.of(LOOPBACK)


@pytest.fixture
def database(sqlite_url: str) -> Iterator[Database]:
    """A database with all tables; both kinds are tried in tests/unit/store/test_deliveries.py."""
    database = Database(sqlite_url)
    database.migrate()
    yield database
    database.close()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as receiver:
        yield receiver


def send(database: Database, reach: Reach = HERE, **options: Any) -> int:
    """Send all that is due at this moment; how many tries that were."""
    carrier = Carrier(database, reach, **options)
    tries = 0
    while (held := carrier.claim()) is not None:
        carrier.carry(held)
        tries += 1
    return tries


def test_a_message_is_signed_thin_and_says_what_ended(database: Database, blobs: Blobs, receiver: Receiver) -> None:
    callback = call_back(database, receiver.url)
    take = end_take(database, blobs, {"label": "Ton Ω", "session": "evening", "notes": "private"}, state="rejected")
    assert send(database) == 1
    (message,) = receiver.messages
    document = Webhook(callback.secret).verify(message.body, dict(message.headers))
    assert document["type"] == "take.rejected"
    assert document["timestamp"].endswith("Z")
    assert document["data"]["take"]["id"] == take.id
    assert document["data"]["take"]["label"] == "Ton Ω"
    assert document["data"]["take"]["problem"] == PROBLEM
    assert b"private" not in message.body
    assert message.headers["content-type"] == "application/json"
    assert message.path == "/take?from=bench"
    (one,) = told(database, callback)
    assert (one.id, one.status, one.attempt) == (message.id, 204, 1)


def test_a_receiver_that_comes_back_gets_everything_under_the_same_ids(database: Database, blobs: Blobs) -> None:
    with socket.create_server((LOOPBACK, 0)) as listener:
        port = listener.getsockname()[1]
    callback = call_back(database, f"http://{LOOPBACK}:{port}/take")
    for _ in range(3):
        end_take(database, blobs)
    assert send(database) == 1  # the address rests after the first failure, and the others wait
    assert told(database, callback)[0].outcome == "There was no connection, or it broke off."
    with receiving(port) as receiver:
        receiver.answer(500)
        assert send(database) == 0
        let_time_pass(database)
        assert send(database) == 1
        assert known(database, callback).failures == 2
        let_time_pass(database)
        assert send(database) == 3
        ids = [message.id for message in receiver.messages]
    deliveries = told(database, callback)
    assert ids[0] in ids[1:]
    assert sorted(ids[1:]) == sorted(one.id for one in deliveries)
    assert [one.status for one in deliveries] == [204, 204, 204]
    assert known(database, callback).failures == 0
    assert [Webhook(callback.secret).verify(one.body, dict(one.headers))["type"] for one in receiver.messages] == [
        "take.measured"
    ] * 4


def test_gone_means_gone(database: Database, blobs: Blobs, receiver: Receiver) -> None:
    callback = call_back(database, receiver.url)
    end_take(database, blobs)
    end_take(database, blobs)
    receiver.answer(410)
    assert send(database) == 1
    let_time_pass(database)
    assert send(database) == 0
    after = known(database, callback)
    assert after.stopped is not None
    assert after.reason is not None
    assert "410" in after.reason
    assert all(one.ended is not None for one in told(database, callback))
    assert len(receiver.messages) == 1


@pytest.mark.parametrize("status", [199, 302, 308, 404, 503])
def test_only_2xx_is_an_arrival(database: Database, blobs: Blobs, receiver: Receiver, status: int) -> None:
    with receiving() as elsewhere:
        callback = call_back(database, receiver.url)
        end_take(database, blobs)
        receiver.answer(status, {"Location": elsewhere.url})
        send(database)
        assert elsewhere.messages == []
    (one,) = told(database, callback)
    assert (one.status, one.ended, known(database, callback).failures) == (status, None, 1)
    assert one.due is not None
    assert one.due > now()


def test_a_delivery_is_given_up_after_its_last_try(database: Database, blobs: Blobs, receiver: Receiver) -> None:
    callback = call_back(database, receiver.url)
    end_take(database, blobs)
    for _ in range(schedule.TRIES):
        receiver.answer(500)
        assert send(database) == 1
        let_time_pass(database)
    assert send(database) == 0
    (one,) = told(database, callback)
    assert (one.attempt, one.due, one.status) == (schedule.TRIES, None, 500)
    assert one.ended is not None
    assert len({message.id for message in receiver.messages}) == 1
    assert known(database, callback).stopped is None


def test_an_address_that_fails_for_days_is_stopped_with_a_reason(
    database: Database, blobs: Blobs, receiver: Receiver
) -> None:
    callback = call_back(database, receiver.url)
    end_take(database, blobs)
    with database.write() as connection:
        failing = {"failures": schedule.MOST_FAILURES - 1, "failing_since": now() - timedelta(days=3)}
        connection.execute(update(callback_table).values(failing))
    receiver.answer(500)
    send(database)
    after = known(database, callback)
    assert after.stopped is not None
    assert after.reason == "The last 20 tries failed, for two days and more; the last: Answered 500."


def test_a_name_that_leads_inside_later_gets_nothing(database: Database, blobs: Blobs, receiver: Receiver) -> None:
    callback = call_back(database, HOOK)
    end_take(database, blobs)
    asked: list[str] = []

    def inside(host: str, port: int) -> list[tuple[Any, ...]]:
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (LOOPBACK, receiver.port))]

    assert send(database, Reach(), lookup=inside) == 1
    assert asked == ["hooks.studio.example"]
    assert receiver.messages == []
    (one,) = told(database, callback)
    assert one.status is None
    assert one.outcome is not None
    assert "not of the public internet" in one.outcome


def test_what_is_answered_goes_to_the_log_in_part_and_nowhere_else(
    database: Database, blobs: Blobs, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    callback = call_back(database, receiver.url)
    end_take(database, blobs)
    receiver.answer(500, body=b"<inner words>" + b"x" * 20_000)
    send(database)
    logged = capsys.readouterr().out
    assert "<inner words>" in logged
    assert "x" * 500 not in logged
    assert callback.secret not in logged
    assert "inner words" not in str(told(database, callback))


def test_two_senders_send_each_message_once(database_url: str, blobs: Blobs, receiver: Receiver) -> None:
    database, *databases = (Database(database_url) for _ in range(3))
    database.migrate()
    senders = [Sender(each, Carrier(each, HERE), every_s=0.1) for each in databases]
    with receiving() as other:
        first, second = call_back(database, receiver.url), call_back(database, other.url)
        for _ in range(20):
            end_take(database, blobs)
        for sender in senders:
            sender.start()
        try:
            wait_until(lambda: len(receiver.messages) + len(other.messages) >= 40, "all call-backs arrive")
        finally:
            for sender in senders:
                sender.stop()
        for callback, got in ((first, receiver), (second, other)):
            assert [message.id for message in got.messages] == [one.id for one in told(database, callback)]
            assert {one.attempt for one in told(database, callback)} == {1}
            assert got.most_at_once == 1
    for each in (database, *databases):
        each.close()


def test_a_slow_receiver_holds_up_nobody_else(database: Database, blobs: Blobs, receiver: Receiver) -> None:
    receiver.let_go.clear()
    with receiving() as other:
        slow, quick = call_back(database, receiver.url), call_back(database, other.url)
        for _ in range(3):
            end_take(database, blobs)
        sender = Sender(database, Carrier(database, HERE), every_s=0.1)
        sender.start()
        try:
            wait_until(lambda: len(other.messages) == 3 and receiver.messages, "the quick one has all")
            end_take(database, blobs)
            wait_until(lambda: len(other.messages) == 4, "the quick one has what came meanwhile")
            assert len(receiver.messages) == 1
            receiver.let_go.set()
            wait_until(lambda: len(receiver.messages) == 4, "the slow one has all at last")
        finally:
            sender.stop()
        assert {one.status for one in (*told(database, slow), *told(database, quick))} == {204}


def test_workers_measure_while_a_receiver_hangs_and_what_a_killed_one_was_sending_arrives(tmp_path: Path) -> None:
    with receiving() as receiver:
        shop = Shop(tmp_path / "shop", workers=1, callbacks_allowed=LOOPBACK)
        callback = call_back(shop.database, receiver.url)
        receiver.let_go.clear()
        worker = WorkerProcess(shop)
        try:
            worker.wait_until_ready()
            shop.receive(3)
            shop.wait_until_measured(3)  # nobody has let the receiver go
            wait_until(lambda: len(receiver.messages) == 1, "the first call-back is on its way")
            worker.kill()
            receiver.let_go.set()
            let_time_pass(shop.database)
            worker = WorkerProcess(shop)
            wait_until(lambda: len(receiver.messages) >= 4, "all call-backs arrive")
            wait_until(lambda: all(one.status == 204 for one in told(shop.database, callback)), "that is noted")
        finally:
            worker.close()
        ids = [message.id for message in receiver.messages]
        assert ids[0] == ids[1]
        assert ids[1:] == [one.id for one in told(shop.database, callback)]
        assert [one.attempt for one in told(shop.database, callback)] == [2, 1, 1]
        shop.close()
