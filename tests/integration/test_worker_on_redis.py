"""The worker as it runs in compose: a process of its own, a real Redis; SQLite and PostgreSQL in turn."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.measure.version import MEASURE_VERSION
from coilbench_worker.store import measurements
from coilbench_worker.store.standing import WORKS_UP_TO
from http_recordings import pcm16, strums
from services import wait_until
from working import Shop, WorkerProcess

pytestmark = pytest.mark.xdist_group("redis")


@pytest.fixture
def shop(tmp_path: Path, redis_url: str, database_url: str) -> Iterator[Shop]:
    shop = Shop(tmp_path, broker_url=redis_url, database_url=database_url)
    yield shop
    shop.close()


@pytest.fixture
def worker(shop: Shop) -> Iterator[WorkerProcess]:
    worker = WorkerProcess(shop)
    worker.wait_until_ready()
    yield worker
    worker.close()


@pytest.fixture
def dispatcher(shop: Shop) -> Iterator[Dispatcher]:
    dispatcher = Dispatcher(shop.configuration, shop.database)
    yield dispatcher
    dispatcher.close()


def test_published_takes_are_measured_and_the_log_names_take_and_job(
    shop: Shop, worker: WorkerProcess, dispatcher: Dispatcher
) -> None:
    arrived = shop.receive(4)
    for take in arrived:
        assert take.job_id is not None
        assert dispatcher.publish(take.job_id)
    shop.wait_until_measured(4)
    with shop.database.read() as connection:
        found = measurements.current(connection, arrived[0].id)
    assert found is not None
    assert found.version == MEASURE_VERSION
    assert len(found.document["strums"]) == 3
    lines = [json.loads(line) for line in worker.log.read_text().splitlines()]
    done = {line["take"]: line["job"] for line in lines if line["event"] == "done"}
    assert done == {take.id: take.job_id for take in arrived}


def test_a_word_delivered_five_times_measures_once(shop: Shop, worker: WorkerProcess, dispatcher: Dispatcher) -> None:
    arrived = shop.receive(3)
    for _ in range(5):
        for take in arrived:
            assert take.job_id is not None
            dispatcher.publish(take.job_id)
    last = shop.receive(1, first=3)[0]
    assert last.job_id is not None
    dispatcher.publish(last.job_id)
    shop.wait_until_measured(4)
    assert worker.stop() == 0
    assert set(shop.attempts().values()) == {1}
    assert set(shop.measurements_by_take().values()) == {1}


def test_what_can_not_be_measured_is_rejected_with_a_reason_and_advice(
    shop: Shop, worker: WorkerProcess, dispatcher: Dispatcher
) -> None:
    silence = shop.receive(1, content=pcm16(0 * strums()))[0]
    prose = shop.receive(1, content=b"not a recording at all" * 100)[0]
    empty = shop.receive(1, content=b"")[0]
    for take in (silence, prose, empty):
        assert take.job_id is not None
        dispatcher.publish(take.job_id)
    shop.wait_until_final()
    for take, kind in ((silence, "no-strums"), (prose, "not-a-recording"), (empty, "empty-file")):
        found = shop.take(take.id)
        assert found.problem is not None
        assert (found.state, found.problem["type"]) == ("rejected", f"/problems/{kind}")
        assert found.problem["status"] == 422
        assert found.problem["detail"]
        assert found.problem["advice"]


def test_a_stopping_worker_hands_back_what_it_can_not_finish_and_the_next_one_measures_it(
    shop: Shop, worker: WorkerProcess, dispatcher: Dispatcher
) -> None:
    arrived = shop.receive(8)
    for take in arrived:
        assert take.job_id is not None
        dispatcher.publish(take.job_id)
    wait_until(lambda: shop.counts()["measured"] >= 2, "two takes are measured")
    assert worker.stop() == 0
    assert shop.counts()["measuring"] == 0
    assert shop.workers_present() == 0
    second = WorkerProcess(shop)
    try:
        shop.wait_until_measured(8)
    finally:
        second.close()
    assert set(shop.measurements_by_take().values()) == {1}


def test_a_worker_that_starts_again_on_tables_of_a_newer_version_measures(
    tmp_path: Path, redis_url: str, postgres_url: str
) -> None:
    shop = Shop(tmp_path, broker_url=redis_url, database_url=postgres_url)
    with shop.database.write() as connection:
        connection.execute(text("ALTER TABLE takes ADD COLUMN of_a_newer_version TEXT"))
        connection.execute(text("UPDATE alembic_version SET version_num = :revision"), {"revision": WORKS_UP_TO})
    worker = WorkerProcess(shop)
    try:
        worker.wait_until_ready()
        shop.receive(1)
        shop.wait_until_measured(1)
        assert "newer than this program" in worker.log.read_text()
    finally:
        worker.close()
        shop.close()
    assert shop.database.revision() == WORKS_UP_TO
