"""Redis is away at the very moment a take ends: the worker notices, and takes words again when Redis is back."""

from __future__ import annotations

from pathlib import Path

import pytest

from fault_proxy import FaultProxy
from faults.fleet_sender import long_take
from services import RedisServer, wait_until
from working import Shop, WorkerProcess


@pytest.mark.xdist_group("deaf-worker")
def test_a_word_that_could_not_be_acknowledged_leaves_no_worker_deaf(tmp_path: Path, redis_server: RedisServer) -> None:
    """With one process there is one place for words: the one that was never given back was the last."""
    redis_server.flush()
    with FaultProxy(redis_server.port) as wire:
        shop = Shop(tmp_path, workers=1, broker_url=f"redis://127.0.0.1:{wire.port}/0")
        worker = WorkerProcess(shop)
        try:
            worker.wait_until_ready()
            shop.receive(1, content=long_take(0))
            wait_until(lambda: shop.counts()["measuring"] == 1, "the long take is being measured")
            wire.refuse()
            shop.wait_until_measured(1)
            wait_until(lambda: "Couldn't ack" in worker.log.read_text(), "its word can't be acknowledged")
            wire.passing()
            shop.receive(2, first=1)
            shop.wait_until_measured(3)
            assert worker.stop() == 0
        finally:
            worker.close()
            shop.close()
