"""A recording that takes too long: the soft limit is a signal to the measuring process, the hard limit its end."""

from __future__ import annotations

import os
import signal
import struct
from pathlib import Path

import pytest

from http_recordings import RATE_HZ, pcm16, strums, strums_wav
from services import wait_until
from working import Shop, WorkerProcess

SECONDS_LONG = 240
BROKEN = Path(__file__).with_name("broken_decoder")
ENDLESS_RATE_HZ = 44_100
GOOD = 3


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


@pytest.mark.xdist_group("hard-limit")
@pytest.mark.parametrize("broker", [pytest.param("memory", marks=pytest.mark.soak), "redis"])
def test_a_process_that_hears_of_no_limit_is_killed_its_take_fails_after_its_attempts_and_the_others_are_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broker: str, request: pytest.FixtureRequest
) -> None:
    """It keeps its lease to the end, so only the hard limit can take the recording from it."""
    monkeypatch.setenv("PYTHONPATH", str(BROKEN))
    monkeypatch.setenv("DEAF_DECODER", str(ENDLESS_RATE_HZ))
    settings = {} if broker == "memory" else {"broker_url": request.getfixturevalue("redis_url")}
    limits = {"soft_limit_s": 9.0, "hard_limit_s": 10.0, "max_attempts": 2}
    shop = Shop(tmp_path, workers=1, **limits, **settings)
    at_another_rate = strums_wav().replace(struct.pack("<I", RATE_HZ), struct.pack("<I", ENDLESS_RATE_HZ), 1)
    endless = shop.receive(1, content=at_another_rate)[0]
    good = shop.receive(GOOD)
    worker = WorkerProcess(shop)
    shop.wait_until_final(150.0)
    found = shop.take(endless.id)
    assert found.problem is not None
    assert (found.state, found.problem["type"]) == ("failed", "/problems/attempts-used-up")
    assert shop.attempts()[endless.id] == 2
    assert [shop.take(take.id).state for take in good] == ["measured"] * GOOD
    assert worker.stop() == 0
    shop.close()
