"""The worker inside a process, as `coilbench-server up` has it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from coilbench_worker import node as node_module
from coilbench_worker.embedded import EmbeddedWorker
from coilbench_worker.jobs import broker
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.node import Node, WorkerNotStarted
from coilbench_worker.store.schema import jobs
from coilbench_worker.worker import run_worker
from services import free_port, wait_until
from working import Shop, WorkerProcess, measuring_processes

pytestmark = pytest.mark.xdist_group("embedded")


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def test_takes_published_in_the_same_process_are_measured_and_nothing_is_left_after_the_stop(shop: Shop) -> None:
    before = measuring_processes(os.getpid())
    worker = EmbeddedWorker(shop.configuration)
    worker.start()
    try:
        assert worker.alive
        wait_until(lambda: shop.workers_present() == 1, "the worker reports")
        dispatcher = Dispatcher(shop.configuration, shop.database)
        for take in shop.receive(3):
            assert take.job_id is not None
            assert dispatcher.publish(take.job_id)
        shop.wait_until_measured(3)
        processes = measuring_processes(os.getpid()) - before
        assert len(processes) == 2
    finally:
        worker.stop()
    assert not worker.alive
    assert shop.workers_present() == 0
    wait_until(lambda: measuring_processes(os.getpid()) <= before, "the measuring processes have ended")
    dispatcher.close()


def test_a_second_worker_can_follow_in_the_same_process_and_finds_what_waits(shop: Shop) -> None:
    for first in (0, 2):
        shop.receive(2, first=first)
        worker = EmbeddedWorker(shop.configuration)
        worker.start()
        try:
            shop.wait_until_measured(first + 2)
        finally:
            worker.stop()
    assert set(shop.measurements_by_take().values()) == {1}


def test_processes_are_used_for_many_takes_and_replaced_after_as_many_as_set(tmp_path: Path) -> None:
    shop = Shop(tmp_path, max_takes_per_process=3, workers=1)
    shop.receive(7)
    worker = WorkerProcess(shop)
    shop.wait_until_measured(7)
    assert worker.stop() == 0
    with shop.database.read() as connection:
        names = list(connection.execute(select(jobs.c.worker).order_by(jobs.c.id)).scalars())
    assert len(set(names)) == 3
    assert sorted(names.count(name) for name in set(names)) == [1, 3, 3]
    assert "died" not in worker.log.read_text(), "a replacement as planned is no fault"
    shop.close()


def test_a_stop_is_clean_while_takes_wait(shop: Shop) -> None:
    shop.receive(8)
    worker = WorkerProcess(shop)
    wait_until(lambda: shop.counts()["measured"] >= 1, "a take is measured")
    assert worker.stop() == 0
    assert shop.counts()["measuring"] == 0
    assert shop.counts()["waiting"] > 0
    assert "Traceback" not in worker.log.read_text()


def test_each_kind_of_worker_refuses_the_broker_of_the_other(tmp_path: Path) -> None:
    beside = Shop(tmp_path, broker_url="redis://127.0.0.1:1/0")
    with pytest.raises(ValueError, match="coilbench-server worker"):
        EmbeddedWorker(beside.configuration)
    inside = Shop(tmp_path)
    with pytest.raises(ValueError, match="COILBENCH_BROKER_URL is not set"):
        run_worker(inside.configuration)
    beside.close()
    inside.close()


def test_a_worker_that_breaks_as_it_starts_says_why(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "TASK_MODULE", "coilbench_worker.no_such_tasks")
    with pytest.raises(WorkerNotStarted, match=r"broke as it started \(ModuleNotFoundError: .*no_such_tasks"):
        EmbeddedWorker(shop.configuration).start()


def test_a_worker_that_finds_no_broker_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(node_module, "START_WITHIN_S", 1.0)
    shop = Shop(tmp_path, broker_url=f"redis://127.0.0.1:{free_port()}/0")
    with pytest.raises(WorkerNotStarted, match=r"no connection to the broker .*COILBENCH_BROKER_URL"):
        Node(shop.configuration).start()
    shop.close()
