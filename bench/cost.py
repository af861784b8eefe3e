"""What a take costs through HTTP, Redis, PostgreSQL and S3, all real and on this machine: processor time by part, takes
a second with one worker and with two, and how long the API takes to answer while its queue is full.
"""

import itertools
import statistics
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import requests

from bench.figure import Figure
from bench.material import TAKE_S, write_take
from bench.postgres import postgres
from bench.processes import BenchError, cpu_s, free_port, running, server_command, wait_until
from bench.s3 import s3
from bench.service import SENDERS, send_take
from coilbench_worker.measure.source import FloatArray

TAKES = 32
WARM_UP = 2
ANSWERS = 400
DRAINED_WITHIN_S = 300.0
TWO_OVER_ONE_AIM = 1.8
WAITING_LIMIT = TAKES
FILL_EVERY_S = 0.2


@dataclass
class Hosts:
    """The running parts: addresses, and the processes of each part."""

    url: str
    database: str
    environment: dict[str, str]
    pids: dict[str, list[int]] = field(default_factory=dict)


def cost(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of the whole; files and data are made in `folder`."""
    (folder / "takes").mkdir()
    paths = [
        write_take(folder / "takes" / f"take-{number:03}.wav", samples, gain_db=-0.01 * number)
        for number in range(3 * TAKES + 2 * WARM_UP)
    ]
    figures: list[Figure] = []
    rates: dict[int, float] = {}
    with hosts(folder) as place:
        for workers in (1, 2):
            sent, paths = paths[: TAKES + WARM_UP], paths[TAKES + WARM_UP :]
            before = _used(place)
            began = time.perf_counter()
            _send_all(place, sent)
            sending_s = (time.perf_counter() - began) / len(sent)
            received = _used(place)
            with ExitStack() as stack:
                for number in range(workers):
                    log = folder / f"worker-{workers}-{number}.log"
                    environment = {**place.environment, "COILBENCH_WORKERS": "1"}
                    pid = stack.enter_context(running(server_command("worker"), log, environment))
                    place.pids.setdefault("worker", []).append(pid)
                rates[workers] = _drained(place, len(sent), folder / f"worker-{workers}-0.log")
                spent = {part: used - before.get(part, 0.0) for part, used in _used(place).items()}
            place.pids["worker"] = []
            if workers == 1:
                note = f"{len(sent)} takes of {TAKE_S} s, {SENDERS} senders, nobody measuring meanwhile"
                figures.append(Figure("cost", "time to send a take", 1000 * sending_s, "ms", note=note))
                per_take = {part: 1000 * seconds / len(sent) for part, seconds in spent.items()}
                figures += [Figure("cost", f"processor time, {part}", ms, "ms/take") for part, ms in per_take.items()]
                figures.append(Figure("cost", "processor time, all parts", sum(per_take.values()), "ms/take"))
                api_ms = 1000 * (received["api"] - before["api"]) / len(sent)
                figures.append(Figure("cost", "of the API's, to receive", api_ms, "ms/take"))
        figures += [Figure("cost", f"takes per second, {number} worker", rate, "1/s") for number, rate in rates.items()]
        note = f"one process each, {TAKES} takes that waited; aim: at least {TWO_OVER_ONE_AIM}"
        # An aim of at least so much, told as its inverse: figures have upper limits.
        figures.append(Figure("cost", "two workers over one", rates[2] / rates[1], "x", note=note))
        inverse = Figure("cost", "one worker over two", rates[1] / rates[2], "x", round(1 / TWO_OVER_ONE_AIM, 3))
        figures += [inverse, *_answers_while_full(place, paths[:TAKES], folder)]
    return figures


@contextmanager
def hosts(folder: Path) -> Iterator[Hosts]:
    """PostgreSQL, Redis that keeps its queue, an S3 server and an API; no worker."""
    with ExitStack() as stack:
        server = stack.enter_context(postgres(folder / "postgres"))
        store = stack.enter_context(s3(folder / "s3"))
        redis_port, port = free_port(), free_port()
        redis = ["redis-server", "--port", str(redis_port), "--bind", "127.0.0.1", "--dir", str(folder)]
        redis += ["--appendonly", "yes", "--maxmemory-policy", "noeviction"]
        redis_pid = stack.enter_context(running(redis, folder / "redis.log", {}))
        database = server.database("coilbench")
        environment = {
            "COILBENCH_DATA": str(folder / "data"),
            "COILBENCH_LISTEN": f"127.0.0.1:{port}",
            "COILBENCH_DATABASE_URL": database,
            "COILBENCH_BROKER_URL": f"redis://127.0.0.1:{redis_port}/0",
            "COILBENCH_MAX_WAITING_TAKES": str(WAITING_LIMIT + WARM_UP),
            "COILBENCH_LOG_LEVEL": "warning",
            **store.environment(),
        }
        with running(server_command("migrate"), folder / "migrate.log", environment):
            wait_until(lambda: _has_tables(database), "tables", folder / "migrate.log")
        api = stack.enter_context(running(server_command("api"), folder / "api.log", environment))
        place = Hosts(f"http://127.0.0.1:{port}", database, environment)
        place.pids = {"api": [api], "redis": [redis_pid], "postgres": [server.pid], "S3": [store.pid]}
        wait_until(lambda: _alive(place.url), "an answer of the API", folder / "api.log")
        yield place


def _send_all(place: Hosts, paths: Sequence[Path]) -> None:
    with ThreadPoolExecutor(SENDERS) as senders:
        list(senders.map(lambda path: send_take(place.url, path), paths))


def _drained(place: Hosts, number: int, log: Path) -> float:
    """Takes ended per second, from the end of the warm-up to the end of the last, by the database's own notes."""
    deadline = time.monotonic() + DRAINED_WITHIN_S
    with psycopg.connect(place.database, autocommit=True) as connection:
        while True:
            (open_jobs,) = connection.execute(
                "SELECT count(*) FROM jobs WHERE state IN ('waiting', 'measuring')"
            ).fetchone() or (0,)
            if open_jobs == 0:
                break
            if time.monotonic() > deadline:
                raise BenchError(f"{open_jobs} takes are still open; log:\n{log.read_text()[-2000:]}")
            time.sleep(0.1)
        rows = connection.execute("SELECT finished, state FROM jobs ORDER BY id DESC LIMIT %s", (number,)).fetchall()
    if any(state != "measured" for _, state in rows):
        raise BenchError("not every take was measured")
    ends = sorted(finished for finished, _ in rows)[WARM_UP:]
    return (len(ends) - 1) / (ends[-1] - ends[0]).total_seconds()


def _answers_while_full(place: Hosts, paths: Sequence[Path], folder: Path) -> list[Figure]:
    """Time to answer while a worker measures, as many takes wait as may, and a sender fills every place at once."""
    over = threading.Event()
    filling = threading.Thread(target=_keep_full, args=(place, paths, over), daemon=True)
    filling.start()
    try:
        with requests.Session() as session:
            wait_until(lambda: _refused(session, place, paths[0]), "a queue that is full", folder / "api.log")
            take = session.get(f"{place.url}/v1/takes", params={"limit": 1}).json()["items"][0]["id"]
            asked = {
                "list of 100": ("GET", "/v1/takes?limit=100"),
                "one take": ("GET", f"/v1/takes/{take}"),
                "a take refused": ("POST", "/v1/takes"),
            }
            log = folder / "worker-full.log"
            environment = {**place.environment, "COILBENCH_WORKERS": "1"}
            figures = []
            with running(server_command("worker"), log, environment):
                wait_until(lambda: _measuring(place), "a take being measured", log)
                for name, (method, path) in asked.items():
                    spent, codes = _times(session, method, place.url + path)
                    told = ", ".join(f"{number} of {code}" for code, number in sorted(codes.items()))
                    note = f"{len(spent)} requests one after another, a worker measuring; answers: {told}"
                    cuts = statistics.quantiles(spent, n=100, method="inclusive")
                    figures.append(Figure("cost", f"queue full, {name}: p50", 1000 * cuts[49], "ms", note=note))
                    figures.append(Figure("cost", f"queue full, {name}: p99", 1000 * cuts[98], "ms"))
    finally:
        over.set()
        filling.join()
    return figures


def _keep_full(place: Hosts, paths: Sequence[Path], over: threading.Event) -> None:
    """Send takes whenever there is room, until told that it is over."""
    for path in itertools.cycle(paths):
        while True:
            if over.is_set():
                return
            try:
                send_take(place.url, path)
            except BenchError:  # no room
                over.wait(FILL_EVERY_S)
            else:
                break


def _refused(session: requests.Session, place: Hosts, path: Path) -> bool:
    return session.post(f"{place.url}/v1/takes", files={"file": path.read_bytes()[:4096]}).status_code == 429


def _times(session: requests.Session, method: str, url: str) -> tuple[list[float], Mapping[int, int]]:
    spent, codes = [], dict[int, int]()
    for _ in range(ANSWERS):
        begun = time.perf_counter()
        answer = session.request(method, url, files={"file": b"RIFF"} if method == "POST" else None)
        spent.append(time.perf_counter() - begun)
        codes[answer.status_code] = codes.get(answer.status_code, 0) + 1
    return spent, codes


def _measuring(place: Hosts) -> bool:
    with psycopg.connect(place.database) as connection:
        return connection.execute("SELECT 1 FROM jobs WHERE state = 'measuring' LIMIT 1").fetchone() is not None


def _used(place: Hosts) -> dict[str, float]:
    return {part: cpu_s(pids) for part, pids in place.pids.items() if pids}


def _has_tables(database: str) -> bool:
    try:
        with psycopg.connect(database) as connection:
            return connection.execute("SELECT to_regclass('deliveries')").fetchone() != (None,)
    except psycopg.Error:
        return False


def _alive(url: str) -> bool:
    try:
        return requests.get(f"{url}/healthz", timeout=5).status_code == 200
    except requests.RequestException:
        return False
