"""Measuring processes killed while they wait for a take: the lock of their common pipe dies with them."""

from __future__ import annotations

import os
import signal
import threading
from contextlib import suppress
from functools import partial
from pathlib import Path

import pytest
import redis

from coilbench_worker.embedded import EmbeddedWorker
from http_recordings import pcm16, strums
from services import wait_until
from working import Shop, WorkerProcess

FEW = 3
SECONDS_LONG = 40
ROUNDS = 3


def kill(pids: list[int]) -> None:
    """SIGKILL to each that still is there."""
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def others_came(worker: WorkerProcess, before: list[int]) -> bool:
    """Whether there is a process that was not there before."""
    return not set(worker.children()) <= set(before)


def all_words_are_done_with(redis_url: str) -> bool:
    """Whether the broker has no word left, waiting or in a process's hand.

    A take that was announced more than once while the processes started leaves words that nobody needs; one that is
    looked at when its process dies is no death between takes.
    """
    with redis.Redis.from_url(redis_url) as broker:
        return broker.llen("coilbench") == 0 and broker.hlen("unacked") == 0


def wait_until_all_are_idle(shop: Shop, worker: WorkerProcess, workers: int, redis_url: str | None = None) -> None:
    """Wait until each process is there and idle: all takes are measured, and all words done with."""
    shop.receive(1)
    shop.wait_until_measured(1)
    wait_until(lambda: len(worker.children()) == workers, "the measuring processes run")
    if redis_url is not None:
        wait_until(partial(all_words_are_done_with, redis_url), "no word is left in the broker")


@pytest.mark.xdist_group("killed-idle")
@pytest.mark.parametrize(
    ("broker", "workers", "killed"), [("memory", 1, 1), ("memory", 2, 1), ("memory", 2, 2), ("redis", 2, 2)]
)
def test_takes_sent_after_idle_processes_were_killed_are_measured_once_each(
    tmp_path: Path, broker: str, workers: int, killed: int, request: pytest.FixtureRequest
) -> None:
    settings = {} if broker == "memory" else {"broker_url": request.getfixturevalue("redis_url")}
    shop = Shop(tmp_path, workers=workers, **settings)
    worker = WorkerProcess(shop)
    wait_until_all_are_idle(shop, worker, workers, settings.get("broker_url"))
    before = worker.children()
    kill(before[:killed])
    shop.receive(FEW, first=1)
    shop.wait_until_measured(1 + FEW, within_s=30.0)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * (1 + FEW)
    assert "Traceback" not in worker.log.read_text()
    shop.close()


@pytest.mark.xdist_group("killed-again")
def test_processes_killed_again_and_again_while_takes_arrive_lose_none(tmp_path: Path) -> None:
    shop = Shop(tmp_path, workers=2, max_attempts=10)
    worker = WorkerProcess(shop)
    wait_until_all_are_idle(shop, worker, 2)
    for number in range(ROUNDS):
        before = worker.children()
        kill(before[: 1 + number % 2])
        shop.receive(FEW, first=1 + FEW * number)
        wait_until(partial(others_came, worker, before), "another process has taken its place")
    shop.wait_until_measured(1 + ROUNDS * FEW, within_s=40.0)
    assert worker.stop() == 0
    assert list(shop.measurements_by_take().values()) == [1] * (1 + ROUNDS * FEW)
    shop.close()


@pytest.mark.xdist_group("killed-again")
def test_a_process_killed_with_a_take_in_hand_leaves_the_others_to_theirs(tmp_path: Path) -> None:
    shop = Shop(tmp_path, workers=2)
    for number in range(2):
        shop.receive(1, content=pcm16(strums(count=SECONDS_LONG + number)))
    worker = WorkerProcess(shop)
    wait_until(lambda: shop.counts()["measuring"] == 2, "both takes are being measured")
    killed, other = worker.children()
    kill([killed])
    shop.wait_until_measured(2, within_s=40.0)
    assert other in worker.children()
    assert worker.stop() == 0
    assert sorted(shop.attempts().values()) == [1, 2]
    shop.close()


@pytest.mark.xdist_group("killed-again")
def test_a_stop_right_after_all_processes_were_killed_is_clean(tmp_path: Path) -> None:
    shop = Shop(tmp_path, workers=2)
    worker = WorkerProcess(shop)
    wait_until_all_are_idle(shop, worker, 2)
    kill(worker.children())
    shop.receive(FEW, first=1)
    assert worker.stop() == 0
    counts = shop.counts()
    assert counts["measuring"] == 0
    assert counts["waiting"] + counts["measured"] == 1 + FEW
    assert "Traceback" not in worker.log.read_text()
    shop.close()


@pytest.mark.xdist_group("killed-again")
def test_a_lock_that_a_writing_process_took_with_it_does_not_hold_up_the_end(tmp_path: Path) -> None:
    """Killed in the microseconds of its write, a process leaves the lock of the other pipe held; here it is taken."""
    shop = Shop(tmp_path, workers=1)
    worker = EmbeddedWorker(shop.configuration)
    worker.start()
    assert worker._controller.pool._pool._outqueue._wlock.acquire(timeout=10)
    ended = threading.Thread(target=worker.stop, daemon=True)
    ended.start()
    ended.join(30)
    assert not ended.is_alive()
    shop.close()
