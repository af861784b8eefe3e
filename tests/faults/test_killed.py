"""Power cuts in small: processes killed in the middle. Every accepted take is measured afterwards, none twice."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench_worker.jobs.dispatch import Dispatcher
from services import RedisServer, wait_until
from working import Shop, WorkerProcess

TAKES = 20
FEW = 8


@pytest.fixture
def own_redis() -> Iterator[RedisServer]:
    server = RedisServer()
    server.start()
    yield server
    server.close()


@pytest.mark.xdist_group("killed-redis")
def test_worker_and_redis_killed_in_the_middle_lose_nothing_and_measure_nothing_twice(
    tmp_path: Path, own_redis: RedisServer, postgres_url: str
) -> None:
    shop = Shop(tmp_path, broker_url=own_redis.url, database_url=postgres_url)
    dispatcher = Dispatcher(shop.configuration, shop.database)
    worker = WorkerProcess(shop)
    worker.wait_until_ready()
    for take in shop.receive(TAKES):
        assert take.job_id is not None
        assert dispatcher.publish(take.job_id)
    wait_until(lambda: shop.counts()["measured"] >= 3 and shop.counts()["measuring"] >= 1, "measuring is under way")
    worker.kill()
    own_redis.kill()
    broken_off = shop.counts()
    assert broken_off["waiting"] + broken_off["measuring"] > 0
    own_redis.start()  # keeps nothing on disk: it starts empty
    worker = WorkerProcess(shop)
    shop.wait_until_measured(TAKES)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * TAKES
    dispatcher.close()
    shop.close()


@pytest.mark.xdist_group("killed-redis")
def test_a_redis_that_restarts_empty_under_a_running_worker_loses_nothing(
    tmp_path: Path, own_redis: RedisServer
) -> None:
    shop = Shop(tmp_path, broker_url=own_redis.url)
    dispatcher = Dispatcher(shop.configuration, shop.database)
    worker = WorkerProcess(shop)
    worker.wait_until_ready()
    for take in shop.receive(FEW):
        assert take.job_id is not None
        dispatcher.publish(take.job_id)
    wait_until(lambda: shop.counts()["measured"] >= 2, "measuring is under way")
    own_redis.kill()
    own_redis.start()
    shop.wait_until_measured(FEW)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * FEW
    dispatcher.close()
    shop.close()


@pytest.mark.xdist_group("killed-embedded")
def test_the_embedded_process_killed_with_a_queue_goes_on_where_it_stopped(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    shop.receive(TAKES)
    worker = WorkerProcess(shop)
    wait_until(lambda: shop.counts()["measured"] >= 3 and shop.counts()["measuring"] >= 1, "measuring is under way")
    worker.kill()
    broken_off = shop.counts()
    assert broken_off["measuring"] > 0
    done_before = shop.measurements_by_take()
    worker = WorkerProcess(shop)
    shop.wait_until_measured(TAKES)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * TAKES
    assert {shop.attempts()[take] for take in done_before} == {1}, "what was measured is not measured again"
    shop.close()


@pytest.mark.xdist_group("killed-embedded")
@pytest.mark.parametrize("broker", ["memory", "redis"])
def test_a_measuring_process_that_is_killed_costs_its_take_one_attempt(
    tmp_path: Path, broker: str, request: pytest.FixtureRequest
) -> None:
    settings = {} if broker == "memory" else {"broker_url": request.getfixturevalue("redis_url")}
    shop = Shop(tmp_path, **settings)
    shop.receive(FEW)
    worker = WorkerProcess(shop)
    wait_until(lambda: shop.counts()["measuring"] >= 1, "measuring is under way")
    for pid in worker.children():
        os.kill(pid, signal.SIGKILL)
    shop.wait_until_measured(FEW)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * FEW
    assert max(shop.attempts().values()) >= 2
    shop.close()
