"""A recording of which the decoder dies, or that takes all memory: it alone fails, and the others are measured.

No such file is known; so the library is broken from outside (broken_decoder/sitecustomize.py) in real processes.
"""

from __future__ import annotations

import signal
import struct
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbench_worker.memory_limit import MIB
from http_recordings import RATE_HZ, strums_wav
from services import wait_until
from working import Shop, WorkerProcess

BROKEN = Path(__file__).with_name("broken_decoder")
FATAL_RATE_HZ = 44_100
GOOD = 4
ATTEMPTS = 2
LIMIT_MIB = 768
BOMB_FRAMES = 120_000_000  # 0.5 MB of FLAC, 0.96 GB as float64: below the limits on length


def at_rate(content: bytes, rate_hz: int) -> bytes:
    """The same WAV file with another rate in its header."""
    return content.replace(struct.pack("<I", RATE_HZ), struct.pack("<I", rate_hz), 1)


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setenv("PYTHONPATH", str(BROKEN))
    return monkeypatch


@pytest.mark.xdist_group("broken-decoder")
@pytest.mark.parametrize(("broker", "number"), [("memory", signal.SIGSEGV), ("redis", signal.SIGKILL)])
def test_a_recording_that_kills_its_process_fails_after_its_attempts_and_the_others_are_measured(
    tmp_path: Path, broken: pytest.MonkeyPatch, broker: str, number: signal.Signals, request: pytest.FixtureRequest
) -> None:
    broken.setenv("DYING_DECODER", f"{int(number)}/{FATAL_RATE_HZ}")
    settings = {} if broker == "memory" else {"broker_url": request.getfixturevalue("redis_url")}
    shop = Shop(tmp_path, max_attempts=ATTEMPTS, lease_s=1.0, **settings)
    deadly = shop.receive(1, content=at_rate(strums_wav(), FATAL_RATE_HZ))[0]
    good = shop.receive(GOOD)
    worker = WorkerProcess(shop)
    shop.wait_until_final()
    found = shop.take(deadly.id)
    assert found.problem is not None
    assert (found.state, found.problem["type"]) == ("failed", "/problems/attempts-used-up")
    assert f"{ATTEMPTS} attempts" in found.problem["detail"]
    assert shop.attempts() == {deadly.id: ATTEMPTS} | {take.id: 1 for take in good}
    assert [shop.take(take.id).state for take in good] == ["measured"] * GOOD
    after = shop.receive(1, first=GOOD)[0]
    wait_until(lambda: shop.take(after.id).state == "measured", "a take that comes later is measured")
    assert worker.stop() == 0
    shop.close()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps the limit (memory_limit.py)")
@pytest.mark.xdist_group("broken-decoder")
def test_a_recording_that_needs_more_memory_than_allowed_fails_alone_and_its_process_goes_on(
    tmp_path: Path, broken: pytest.MonkeyPatch
) -> None:
    broken.setenv("HOARDING_READER", "1")
    shop = Shop(tmp_path, workers=1, max_attempts=ATTEMPTS, republish_after_s=0.3, measure_memory_mib=LIMIT_MIB)
    bomb = shop.receive(1, content=flac_of_silence(tmp_path / "bomb.flac"))[0]
    good = shop.receive(GOOD)
    worker = WorkerProcess(shop)
    shop.wait_until_final()
    found = shop.take(bomb.id)
    assert found.problem is not None
    assert (found.state, found.problem["type"]) == ("failed", "/problems/memory-used-up")
    assert f"{LIMIT_MIB} MiB" in found.problem["detail"]
    assert "COILBENCH_MEASURE_MEMORY_MIB" in found.problem["advice"]
    assert [shop.take(take.id).state for take in good] == ["measured"] * GOOD
    assert "a measuring process died" not in worker.log.read_text()
    (process,) = worker.children()
    limits = Path(f"/proc/{process}/limits").read_text()
    (data_limit,) = (line.split()[3] for line in limits.splitlines() if line.startswith("Max data size"))
    assert int(data_limit) == LIMIT_MIB * MIB
    assert worker.stop() == 0
    shop.close()


def flac_of_silence(path: Path) -> bytes:
    """BOMB_FRAMES of silence, packed."""
    silence = np.zeros(1 << 20, dtype=np.int16)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_16") as file:
        for start in range(0, BOMB_FRAMES, len(silence)):
            file.write(silence[: BOMB_FRAMES - start])
    assert path.stat().st_size < 1_000_000
    return path.read_bytes()
