"""Takes through HTTP and queue: how many in a second, and what processor time each costs against measuring alone."""

import json
import os
import subprocess
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import requests
from requests_toolbelt import MultipartEncoder

from bench.figure import Figure
from bench.material import TAKE_S, write_take
from bench.processes import BenchError, cpu_s, free_port, number_from, running, server_command, wait_until
from coilbench_worker.measure.source import FloatArray

TAKES = 24
WARM_UP = 4
SENDERS = 2
FINAL_WITHIN_S = 120.0
CPU_AIM = 1.3

ALONE = """
import sys, time
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.take import measure_take
def measure(path):
    with open_recording(path) as recording:
        measure_take(recording, recording.facts, MeasureSettings())
measure(sys.argv[1])
start = time.process_time()
for path in sys.argv[1:]:
    measure(path)
print(time.process_time() - start)
"""


@dataclass(frozen=True)
class Service:
    """A running service: where it answers, and the processes that were started for it."""

    url: str
    pids: tuple[int, ...]


@contextmanager
def embedded(folder: Path) -> Iterator[Service]:
    """`coilbench-server up`, nothing else."""
    port, log = free_port(), folder / "up.log"
    environment = {"COILBENCH_DATA": str(folder / "data"), "COILBENCH_LISTEN": f"127.0.0.1:{port}"}
    with running(server_command("up"), log, environment) as pid:
        url = f"http://127.0.0.1:{port}"
        wait_until(lambda: _ready(url), "readiness of `coilbench-server up`", log)
        yield Service(url, (pid,))


@contextmanager
def with_redis(folder: Path) -> Iterator[Service]:
    """`coilbench-server api` and `worker` with a real Redis between them."""
    port, redis_port, log = free_port(), free_port(), folder / "api.log"
    environment = {
        "COILBENCH_DATA": str(folder / "data"),
        "COILBENCH_LISTEN": f"127.0.0.1:{port}",
        "COILBENCH_BROKER_URL": f"redis://127.0.0.1:{redis_port}/0",
    }
    redis = ["redis-server", "--port", str(redis_port), "--bind", "127.0.0.1", "--dir", str(folder)]
    redis += ["--appendonly", "yes", "--maxmemory-policy", "noeviction"]
    with ExitStack() as stack:
        pids = [stack.enter_context(running(redis, folder / "redis.log", {}))]
        subprocess.run(server_command("migrate"), env={**os.environ, **environment}, check=True, capture_output=True)
        pids.append(stack.enter_context(running(server_command("worker"), folder / "worker.log", environment)))
        pids.append(stack.enter_context(running(server_command("api"), log, environment)))
        url = f"http://127.0.0.1:{port}"
        wait_until(lambda: _ready(url), "readiness of `coilbench-server api` with Redis", log)
        yield Service(url, tuple(pids))


def service(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of the service; files and data folders are made in `folder`."""
    (folder / "takes").mkdir()
    files = [
        write_take(folder / "takes" / f"take-{number:02}.wav", samples, gain_db=-0.05 * number)
        for number in range(TAKES + WARM_UP)
    ]
    warm_up, files = files[:WARM_UP], files[WARM_UP:]
    alone_s = number_from(ALONE, *files) / TAKES
    note = f"{TAKES} different takes of {TAKE_S} s"
    figures = [Figure("service", "processor time of measuring alone", 1000 * alone_s, "ms/take", note=note)]
    for name, start in (("embedded", embedded), ("Redis", with_redis)):
        place = folder / name.lower()
        place.mkdir()
        with start(place) as running_service:
            _all_measured(running_service, warm_up)
            used, began = cpu_s(running_service.pids), time.perf_counter()
            _all_measured(running_service, files)
            spent = time.perf_counter() - began
            cpu = (cpu_s(running_service.pids) - used) / TAKES
        note = f"{SENDERS} senders; processor time of the service and its children, without the client"
        figures += [
            Figure("service", f"takes per second, {name}", TAKES / spent, "1/s", note=note),
            Figure("service", f"processor time, {name}", 1000 * cpu, "ms/take"),
            Figure("service", f"processor time over measuring alone, {name}", cpu / alone_s, "x", CPU_AIM),
        ]
    return figures


def _all_measured(service: Service, files: Sequence[Path]) -> None:
    """Send the files and wait until each is measured.

    Raises
    ------
    BenchError : a take ended otherwise, or not in time
    """
    with ThreadPoolExecutor(SENDERS) as senders:
        takes = list(senders.map(lambda path: send_take(service.url, path), files))
        ends = list(senders.map(lambda take: _end(service.url, take), takes))
    others = [end for end in ends if end["state"] != "measured"]
    if others:
        raise BenchError(f"{len(others)} of {len(ends)} takes were not measured; the first: {json.dumps(others[0])}")


def send_take(url: str, path: Path) -> str:
    with path.open("rb") as file:
        body = MultipartEncoder(
            {"file": (path.name, file, "audio/wav"), "about": ("about", json.dumps({"label": path.stem}))}
        )
        answer = requests.post(f"{url}/v1/takes", data=body, headers={"Content-Type": body.content_type}, timeout=60)
    if answer.status_code not in (200, 201, 202):
        raise BenchError(f"Sending {path.name} was answered {answer.status_code}: {answer.text[:500]}")
    return str(answer.json()["id"])


def _end(url: str, take: str) -> dict[str, Any]:
    """The take when its state is final, or as it is when the time is up."""
    deadline = time.monotonic() + FINAL_WITHIN_S
    while True:
        answer = requests.get(f"{url}/v1/takes/{take}", headers={"Prefer": "wait=20"}, timeout=60)
        answer.raise_for_status()
        found: dict[str, Any] = answer.json()
        if found["state"] in ("measured", "rejected", "failed") or time.monotonic() > deadline:
            return found


def _ready(url: str) -> bool:
    try:
        return requests.get(f"{url}/readyz", timeout=5).status_code == 200
    except requests.RequestException:
        return False
