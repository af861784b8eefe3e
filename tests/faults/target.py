"""A served process that is fired upon: what it keeps open, how much memory it has, and what it left behind."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import requests

from coilbench_service import key_changes
from coilbench_service.bench import SERVER_THREADS
from coilbench_worker.configuration import Configuration
from coilbench_worker.store.database import Database
from running_program import NO_BROKER, program
from services import free_ports, wait_until
from services import program as installed

ROOT = Path(__file__).parents[2]
WITHIN_S = 60.0
FILES_SLACK = 24
"""Connections to the database, and those that a pool keeps, come and go."""
THREADS_SLACK = 8
MEMORY_RATIO = 1.5
MEMORY_SLACK_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True)
class Footprint:
    """What processes have between them; `memory_bytes` is resident."""

    files: int
    threads: int
    memory_bytes: int


@dataclass(frozen=True)
class Target:
    """A service that wants keys.

    Attributes
    ----------
    address : where clients ask
    behind : where the server itself listens; the same where no proxy stands before it
    pids : of the server
    folder : its data; `passing` is where its bodies pass through
    """

    name: str
    address: str
    behind: str
    pids: tuple[int, ...]
    folder: Path
    passing: Path
    logs: tuple[Path, ...]
    key: str

    @property
    def shown(self) -> dict[str, str]:
        """The header that shows a key with which one may write."""
        return {"Authorization": f"Bearer {self.key}"}

    def ask(self, method: str, path: str, **options: object) -> requests.Response:
        """One request of somebody with a key, on a connection of its own."""
        headers = {**self.shown, **options.pop("headers", {})}  # type: ignore[dict-item]
        return requests.request(method, self.address + path, headers=headers, timeout=WITHIN_S, **options)  # type: ignore[arg-type]

    def connect(self, *, behind: bool = False, receive_bytes: int | None = None) -> socket.socket:
        """A fresh connection."""
        host, port = (self.behind if behind else self.address).removeprefix("http://").split(":")
        made = socket.socket()
        made.settimeout(WITHIN_S)
        if receive_bytes is not None:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        made.connect((host, int(port)))
        return made

    def footprint(self) -> Footprint:
        """What the server has now."""
        found = [psutil.Process(pid) for pid in self.pids]
        return Footprint(
            sum(each.num_fds() for each in found),
            sum(each.num_threads() for each in found),
            sum(each.memory_info().rss for each in found),
        )

    def left(self) -> list[Path]:
        """Files of bodies and recordings on their way."""
        return [*_files(self.passing), *(path for path in _files(self.folder / "audio") if "incoming" in path.parts)]

    def log(self) -> str:
        """What the server said until now."""
        return "".join(path.read_text() for path in self.logs)

    @contextmanager
    def unharmed(self, memory_bytes: int = MEMORY_SLACK_BYTES) -> Iterator[Footprint]:
        """After the block files, threads and memory are near what they were, and nothing is left in the folders.

        Parameters
        ----------
        memory_bytes : that may have been added
        """
        with ThreadPoolExecutor(32) as many:  # what a pool of connections keeps is there before it is counted
            list(many.map(lambda _: self.ask("GET", "/v1/takes?limit=1"), range(64)))
        before = self.footprint()
        yield before
        wait_until(
            lambda: self.footprint().files <= before.files + FILES_SLACK, f"{self.name} lets go of files", WITHIN_S
        )
        wait_until(lambda: not self.left(), f"{self.name} clears away what came half", WITHIN_S)
        after = self.footprint()
        print(f"{self.name}: before {before}, after {after}")
        assert after.threads <= max(before.threads, SERVER_THREADS) + THREADS_SLACK
        assert after.memory_bytes <= before.memory_bytes * MEMORY_RATIO + memory_bytes


@contextmanager
def waitress() -> Iterator[Target]:
    """`coilbench-server api`."""
    with _folder() as folder:
        key = _prepared(folder)
        settings = {"COILBENCH_KEYS": "always", "COILBENCH_REQUESTS_PER_MINUTE": "1000000"}
        with program("api", folder, **settings) as running:
            made = Target(
                name="waitress",
                address=running.address,
                behind=running.address,
                pids=(running.process.pid,),
                folder=folder / "data",
                passing=folder / "data" / "passing",
                logs=(running.log,),
                key=key,
            )
            _warm(made)
            yield made


@contextmanager
def gunicorn() -> Iterator[Target]:
    """gunicorn with our settings, behind nginx with ours: as docker-compose.yml has them."""
    api, proxy = free_ports(2)
    with _folder() as folder:
        key = _prepared(folder)
        passing = folder / "passing"
        passing.mkdir()
        kept = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
        environment = kept | {
            "COILBENCH_DATA": str(folder / "data"),
            "COILBENCH_LISTEN": f"127.0.0.1:{api}",
            "COILBENCH_BROKER_URL": NO_BROKER,
            "COILBENCH_TRUSTED_PROXIES": "1",
            "COILBENCH_REQUESTS_PER_MINUTE": "1000000",
            "TMPDIR": str(passing),
        }
        command = ["--config", "python:coilbench_service.gunicorn_settings", "coilbench_service.wsgi:app"]
        words = [str(Path(sys.executable).parent / "gunicorn"), *command]
        settings = _proxy_settings(folder, proxy, api)
        log, proxy_log = folder / "log", folder / "proxy.log"
        with (
            _running(words, environment, log) as server,
            _running([installed("nginx", "nginx"), "-c", str(settings), "-g", "daemon off;"], kept, proxy_log),
        ):
            address = f"http://127.0.0.1:{proxy}"
            wait_until(lambda: _answers(address, log, server), "gunicorn answers behind nginx", WITHIN_S)
            made = Target(
                name="gunicorn",
                address=address,
                behind=f"http://127.0.0.1:{api}",
                pids=(server.pid, *(each.pid for each in psutil.Process(server.pid).children())),
                folder=folder / "data",
                passing=passing,
                logs=(log,),
                key=key,
            )
            _warm(made)
            yield made


@contextmanager
def _folder() -> Iterator[Path]:
    """Not the folder of the test: nginx serves under an account of its own and has to get in."""
    folder = Path(tempfile.mkdtemp(prefix="coilbench-fire-"))
    folder.chmod(0o711)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def _prepared(folder: Path) -> str:
    """Tables, and the text of a key with which one may write."""
    database = Database(Configuration(data=folder / "data").database)
    try:
        database.migrate()
        return key_changes.make(database, "fire", ["write"])[0].text
    finally:
        database.close()


def _warm(target: Target) -> None:
    """Have the server load what it loads late, so that its memory can be compared."""
    for path in ("/v1/takes", "/v1/table?format=csv", "/v1/pickups", "/v1/openapi.json"):
        assert target.ask("GET", path).status_code == 200


@contextmanager
def _running(words: list[str], environment: dict[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as told:
        process = subprocess.Popen(words, env=environment, stdout=told, stderr=told, cwd=log.parent)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _answers(address: str, log: Path, server: subprocess.Popen[bytes]) -> bool:
    assert server.poll() is None, log.read_text()[-2000:]
    try:
        return requests.get(f"{address}/healthz", timeout=WITHIN_S).status_code == 200
    except requests.ConnectionError:
        return False


def _proxy_settings(folder: Path, proxy: int, api: int) -> Path:
    text = (ROOT / "deploy/proxy.conf").read_text("utf-8")
    for pattern, here in {
        "listen 8080;": f"listen 127.0.0.1:{proxy};",
        "set $api api:8080;": f"set $api 127.0.0.1:{api};",
        " /tmp": f" {folder}/proxy",
        " /var/cache/nginx/": f" {folder}/proxy/",
        "worker_processes auto;": "worker_processes 1;\nworker_rlimit_nofile 16384;",
    }.items():
        assert pattern in text
        text = text.replace(pattern, here)
    (folder / "proxy").mkdir()
    (folder / "proxy").chmod(0o711)
    settings = folder / "proxy.conf"
    settings.write_text(text, "utf-8")
    return settings


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()] if folder.exists() else []
