"""A recording that takes too long to measure: the time limit is a signal to the measuring process."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from http_recordings import pcm16, strums
from services import wait_until
from working import Shop, WorkerProcess

SECONDS_LONG = 240


@pytest.mark.xdist_group("embedded")
def test_measuring_that_is_told_to_stop_fails_the_take_with_advice_and_the_process_goes_on(tmp_path: Path) -> None:
    """The signal of the limit (billiard's, SIGUSR1) is sent here by hand, so that nothing hangs on a clock."""
    shop = Shop(tmp_path, workers=1)
    long = shop.receive(1, content=pcm16(strums(count=SECONDS_LONG)))[0]
    worker = WorkerProcess(shop)
    wait_until(lambda: shop.counts()["measuring"] == 1, "the long take is being measured")
    (process,) = worker.children()
    os.kill(process, signal.SIGUSR1)
    shop.wait_until_final()
    found = shop.take(long.id)
    assert found.problem is not None
    assert (found.state, found.problem["type"]) == ("failed", "/problems/took-too-long")
    assert "COILBENCH_SOFT_LIMIT_S" in found.problem["advice"]
    short = shop.receive(1)[0]
    wait_until(lambda: shop.take(short.id).state == "measured", "the next take is measured")
    assert worker.children() == [process]
    assert worker.stop() == 0
    shop.close()
