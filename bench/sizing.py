"""What docs/outgrowing.md sizes hosts by: processor time, room and memory of takes of three lengths, and requests.

Through HTTP, Redis, PostgreSQL and S3, as bench/cost.py; processor time hardly depends on what else the machine does.
"""

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import psutil
import psycopg
import requests

from bench.cost import Hosts, hosts
from bench.figure import Figure
from bench.material import RATE_HZ, write_take
from bench.processes import BenchError, cpu_s, running, server_command
from bench.service import send_take
from coilbench_worker.measure.source import FloatArray

TAKES = {"10 s": 12, "1 min": 12, "10 min": 2}
ASKERS = 8
ASKED_FOR_S = 4.0
MEASURED_WITHIN_S = 300.0
TABLES = ("takes", "files", "jobs", "measurements", "idempotency")


def sizing(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of takes and requests; files and data are made in `folder`."""
    figures: list[Figure] = []
    with ExitStack() as stack:
        place = stack.enter_context(hosts(folder))
        log = folder / "worker.log"
        environment = {**place.environment, "COILBENCH_WORKERS": "1"}
        worker = stack.enter_context(running(server_command("worker"), log, environment))
        place.pids["worker"] = [worker]
        _measured(place, _files(folder / "warm", samples, "10 s", 2), log)
        for length, count in TAKES.items():
            files = _files(folder / length.replace(" ", "-"), samples, length, count)
            used, room = {part: cpu_s(pids) for part, pids in place.pids.items()}, _room(place)
            _measured(place, files, log)
            for part, pids in place.pids.items():
                spent = 1000 * (cpu_s(pids) - used[part]) / count
                figures.append(Figure("sizing", f"{length}, processor time, {part}", spent, "ms/take"))
            kept = (_room(place) - room) / count / 1e3
            bytes_ = sum(path.stat().st_size for path in files) / count / 1e6
            figures.append(Figure("sizing", f"{length}, in the database", kept, "kB/take", note=f"{count} takes"))
            figures.append(Figure("sizing", f"{length}, in the store", bytes_, "MB/take", note="24 bits, mono, 48 kHz"))
        figures += [*_memory(place, worker), *_requests(place)]
    return figures


def _files(folder: Path, samples: FloatArray, length: str, count: int) -> list[Path]:
    folder.mkdir()
    number, unit = length.split()
    part = samples[: int(number) * RATE_HZ] if unit == "s" else samples
    minutes = int(number) if unit == "min" else 1
    salt = sum(map(ord, folder.name))  # the same take again would be stored once
    return [
        write_take(folder / f"{index}.wav", part, minutes=minutes, gain_db=-0.01 * index - 0.0003 * salt)
        for index in range(count)
    ]


def _measured(place: Hosts, files: Sequence[Path], log: Path) -> None:
    for path in files:
        send_take(place.url, path)
    deadline = time.monotonic() + MEASURED_WITHIN_S
    with psycopg.connect(place.database, autocommit=True) as connection:
        while True:
            rows = connection.execute("SELECT state, count(*) FROM takes GROUP BY state").fetchall()
            states: dict[str, int] = dict(rows)
            if set(states) == {"measured"}:
                return
            if time.monotonic() > deadline or {"failed", "rejected"} & set(states):
                raise BenchError(f"takes ended as {states}; log:\n{log.read_text()[-2000:]}")
            time.sleep(0.1)


def _room(place: Hosts) -> float:
    """Bytes of the tables with their indexes."""
    with psycopg.connect(place.database) as connection:
        sizes = [connection.execute("SELECT pg_total_relation_size(%s::regclass)", (name,)) for name in TABLES]
        return float(sum(row[0] for size in sizes for row in size))


def _memory(place: Hosts, worker: int) -> list[Figure]:
    measuring = [child for child in psutil.Process(worker).children() if "spawn_main" in " ".join(child.cmdline())]
    parts = {
        "API": place.pids["api"][0],
        "worker, without its measuring processes": worker,
        "a measuring process": max(measuring, key=lambda child: child.memory_info().rss).pid,
    }
    note = "the most it had, after takes of up to 10 min; much of it is shared with others of its kind"
    return [Figure("sizing", f"memory, {name}", _peak_mib(pid), "MiB", note=note) for name, pid in parts.items()]


def _peak_mib(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def _requests(place: Hosts) -> list[Figure]:
    take = requests.get(f"{place.url}/v1/takes", params={"limit": 1}, timeout=30).json()["items"][0]["id"]
    figures = []
    for name, path in (("one take", f"/v1/takes/{take}"), ("list of 100", "/v1/takes?limit=100")):
        used, began = cpu_s(place.pids["api"]), time.perf_counter()
        with ThreadPoolExecutor(ASKERS) as askers:
            counts = list(askers.map(lambda _, path=path: _ask(place.url + path), range(ASKERS)))  # type: ignore[misc]
        spent, cpu = time.perf_counter() - began, cpu_s(place.pids["api"]) - used
        note = f"{ASKERS} clients on this machine as well; on a processor of its own {sum(counts) / cpu:.0f}/s"
        figures.append(Figure("sizing", f"requests, {name}", sum(counts) / spent, "1/s", note=note))
        figures.append(Figure("sizing", f"processor time of the API, {name}", 1000 * cpu / sum(counts), "ms"))
    return figures


def _ask(url: str) -> int:
    end, count = time.monotonic() + ASKED_FOR_S, 0
    with requests.Session() as session:
        while time.monotonic() < end:
            session.get(url, timeout=30).raise_for_status()
            count += 1
    return count
