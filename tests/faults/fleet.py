"""A whole service of many processes on this machine: API processes, workers, PostgreSQL or SQLite, Redis, recordings.

Each is a real process on a loopback port of its own and can be killed, frozen, stopped and started again by a test.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import psutil
from sqlalchemy import select

from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.store import files, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.orphans import Orphans
from coilbench_worker.store.schema import jobs
from coilbench_worker.store.states import MEASURING
from faults.fleet_process import FleetProcess, kept_port
from services import PostgresServer, RedisServer, wait_until
from working import QUICK, measuring_processes

BESIDE_PYTHON = Path(sys.executable).parent
SAID_AGAIN = 20
SETTINGS = {"workers": 1, "requests_per_minute": 1_000_000}
API_READY = "coilbench is ready at"
GUNICORN_READY = "Booting worker with pid"
WORKER_READY = "the worker is ready"


class Fleet:
    """The processes of one service; all are ended at the end of its block, whatever happened.

    Parameters
    ----------
    folder : for data and logs
    apis, workers : how many of each; not started before `start`
    postgres : PostgreSQL that keeps what it committed; else SQLite in the folder
    append_only : Redis starts again with what it had, not empty
    gunicorn : the API processes are gunicorn's, not `coilbench-server api`
    database_environment : further variables of PostgreSQL
    listen : addresses that the stores listen on besides that of loopback
    settings : of the configuration, besides those that make waiting short
    """

    def __init__(
        self,
        folder: Path,
        *,
        apis: int = 1,
        workers: int = 1,
        postgres: bool = True,
        append_only: bool = False,
        gunicorn: bool = False,
        database_environment: Mapping[str, str] | None = None,
        listen: tuple[str, ...] = (),
        **settings: Any,
    ) -> None:
        self.folder = folder
        self.redis = RedisServer(append_only=append_only, listen=listen)
        self.redis.port = kept_port()
        self.postgres = (
            PostgresServer(durable=True, listen=listen, environment=database_environment) if postgres else None
        )
        given: dict[str, Any] = QUICK | SETTINGS | {"data": folder, "broker_url": self.redis.url} | settings
        if self.postgres is not None:
            self.postgres.port = kept_port()
            given.setdefault("database_url", self.postgres.url("postgres"))
        self.configuration = Configuration(**given)
        self.database = Database(self.configuration.database)
        self.blobs = Blobs(self.configuration.blobs)
        self._ending = ExitStack()
        self.apis = [self._api(number, gunicorn) for number in range(apis)]
        self.workers = [self._worker(number) for number in range(workers)]

    @property
    def addresses(self) -> list[str]:
        """Address of each API process."""
        return [f"http://{each.environment['COILBENCH_LISTEN']}" for each in self.apis]

    @property
    def processes(self) -> list[FleetProcess]:
        """API processes and workers."""
        return [*self.apis, *self.workers]

    def start_stores(self) -> None:
        """Start Redis and PostgreSQL, and make the tables."""
        self.redis.start()
        if self.postgres is not None:
            self.postgres.start()
        self.database.migrate()

    def start(self) -> None:
        """Start everything, and wait until it is ready."""
        self.start_stores()
        for process in self.processes:
            process.start()
        self.wait_until_ready()

    def wait_until_ready(self) -> None:
        """Wait until all processes that run are ready."""
        for process in self.processes:
            if process.running:
                process.wait_until_ready()

    def mend(self) -> None:
        """Start again what does not run, and wait until everything is ready."""
        for process in self.processes:
            if not process.running:
                process.start()
        self.wait_until_ready()

    def measuring_processes(self, worker: FleetProcess) -> list[int]:
        """Numbers of the measuring processes of a worker; none when it does not run."""
        try:
            return sorted(measuring_processes(worker.pid))
        except psutil.NoSuchProcess:
            return []

    def holder(self) -> FleetProcess | None:
        """A worker that has a take in hand, by the database; None when there is none."""
        with self.database.read() as connection:
            names = connection.execute(select(jobs.c.worker).where(jobs.c.state == MEASURING)).scalars()
            found = {name.rpartition("/")[0] for name in names}
        return next((each for each in self.workers for name in found if name in each.said_since_start), None)

    def say_again(self, times: int) -> None:
        """Publish the word of each of the last jobs so many times; what Redis does not take is let go."""
        with self.database.read() as connection:
            found = list(connection.execute(select(jobs.c.id).order_by(jobs.c.id.desc()).limit(SAID_AGAIN)).scalars())
        dispatcher = Dispatcher(self.configuration, self.database)
        for job in found:
            for _ in range(times):
                dispatcher.send(job)
        dispatcher.close()

    def counts(self) -> dict[str, int]:
        """How many takes stand in each state."""
        with self.database.read() as connection:
            return takes.counts(connection)

    def wait_until_measured(self, count: int, within_s: float = 120.0) -> None:
        """Wait until so many takes are measured."""
        wait_until(lambda: self.counts()["measured"] >= count, f"{count} takes are measured", within_s)

    def wait_until_final(self, within_s: float = 120.0) -> None:
        """Wait until no take waits or is being measured."""

        def final() -> bool:
            counts = self.counts()
            return not counts["waiting"] + counts["measuring"]

        wait_until(final, "no take waits or is being measured", within_s)

    def sweep(self) -> int:
        """Sweep recordings away that nobody uses, without the usual grace; nothing may arrive meanwhile."""
        Orphans(self.database, self.blobs).find(settled_s=0.0)
        return files.drop_unused(self.database, self.blobs)

    def close(self) -> None:
        """End every process."""
        for process in self.processes:
            self._ending.callback(process.close)
        self._ending.callback(self.database.close)
        self._ending.close()

    def __enter__(self) -> Self:
        self._ending.callback(self.redis.close)
        if self.postgres is not None:
            self._ending.callback(self.postgres.close)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _api(self, number: int, gunicorn: bool) -> FleetProcess:
        listen = f"127.0.0.1:{kept_port()}"
        command = [str(BESIDE_PYTHON / "coilbench-server"), "api"]
        if gunicorn:
            command = [str(BESIDE_PYTHON / "gunicorn"), "--bind", listen, "--worker-class", "gthread"]
            command += ["--workers", "1", "--threads", "16", "coilbench_service.wsgi:app"]
        environment = environment_of(self.configuration) | {"COILBENCH_LISTEN": listen}
        log = self.folder / f"api-{number}.log"
        return FleetProcess(f"API {number}", command, environment, log, GUNICORN_READY if gunicorn else API_READY)

    def _worker(self, number: int) -> FleetProcess:
        command = [str(BESIDE_PYTHON / "coilbench-server"), "worker"]
        log = self.folder / f"worker-{number}.log"
        return FleetProcess(f"worker {number}", command, environment_of(self.configuration), log, WORKER_READY)


def environment_of(configuration: Configuration) -> dict[str, str]:
    """The environment of a process with these settings and no others of the same program."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
    given = {name: value for name, value in configuration.model_dump().items() if value is not None}
    return kept | {f"COILBENCH_{name.upper()}": str(value) for name, value in given.items()}
