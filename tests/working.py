"""Workers as processes of their own, to be watched, told to stop, and killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import psutil
from sqlalchemy import func, select

from arrivals import arrive
from coilbench_worker.configuration import Configuration
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.store import nodes, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import measurements
from coilbench_worker.store.takes import TakeFilter, TakeRecord
from http_recordings import pcm16, strums
from services import wait_until

EMBEDDED = str(Path(__file__).with_name("embedded_process.py"))
# The limits are those of the default; what is waited for in vain in daily life is short here.
QUICK = {"lease_s": 3.0, "redispatch_every_s": 0.3, "republish_after_s": 2.0, "stop_within_s": 1.0, "workers": 2}


def measuring_processes(pid: int) -> set[int]:
    """Numbers of the measuring processes that the process has started (by spawn) and that still run."""
    found = set()
    for child in psutil.Process(pid).children():
        with suppress(psutil.NoSuchProcess, psutil.ZombieProcess):
            if any("spawn_main" in word for word in child.cmdline()):
                found.add(child.pid)
    return found


class Shop:
    """Database and recordings of one configuration, and takes that arrive there."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder = folder
        self.configuration = Configuration(data=folder, **(QUICK | settings))
        self.database = Database(self.configuration.database)
        self.database.migrate()
        self.blobs = Blobs.of(self.configuration)

    def receive(self, count: int, *, first: int = 0, content: bytes | None = None) -> list[TakeRecord]:
        """Accept takes as the service does: three strums each, no two alike, or all with this content."""
        return [
            arrive(
                self.database,
                self.blobs,
                recording(first + number) if content is None else content,
                settings=MeasureSettings(),
            )
            for number in range(count)
        ]

    def counts(self) -> dict[str, int]:
        """How many takes stand in each state."""
        with self.database.read() as connection:
            return takes.counts(connection)

    def take(self, take_id: str) -> TakeRecord:
        """One take as it is now."""
        with self.database.read() as connection:
            found = takes.get(connection, take_id)
        assert found is not None
        return found

    def wait_until_measured(self, count: int, within_s: float = 90.0) -> None:
        """Wait until so many takes are measured; fail at once when one is not going to be."""

        def measured() -> bool:
            counts = self.counts()
            assert counts["failed"] == counts["rejected"] == 0, self.problems()
            return counts["measured"] >= count

        wait_until(measured, f"{count} takes are measured", within_s)

    def wait_until_final(self, within_s: float = 60.0) -> None:
        """Wait until no take waits or is being measured."""
        wait_until(
            lambda: not (self.counts()["waiting"] or self.counts()["measuring"]),
            "no take waits or is being measured",
            within_s,
        )

    def problems(self) -> list[Any]:
        """The problems of all takes that have one."""
        with self.database.read() as connection:
            return [take.problem for take in takes.each(connection, TakeFilter()) if take.problem]

    def attempts(self) -> dict[str, int]:
        """Attempts of each job, by take."""
        with self.database.read() as connection:
            found = connection.execute(select(job_table.c.take_id, job_table.c.attempt))
            return {row.take_id: row.attempt for row in found}

    def measurements_by_take(self) -> dict[str, int]:
        """How many measurements each take has."""
        with self.database.read() as connection:
            query = select(measurements.c.take_id, func.count()).group_by(measurements.c.take_id)
            return {row[0]: row[1] for row in connection.execute(query)}

    def workers_present(self) -> int:
        """How many workers reported lately."""
        with self.database.read() as connection:
            return len(nodes.present(connection, 2.0))

    def close(self) -> None:
        """Close the connections."""
        self.blobs.close()
        self.database.close()


class WorkerProcess:
    """One worker of a shop with its measuring processes, all in one process group."""

    def __init__(self, shop: Shop) -> None:
        configuration = shop.configuration
        self._shop = shop
        self.log = shop.folder / "worker.log"
        start = [EMBEDDED] if configuration.embedded else ["-m", "coilbench_worker.worker"]
        environment = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
        environment |= {
            f"COILBENCH_{name.upper()}": str(value)
            for name, value in configuration.model_dump().items()
            if value is not None
        }
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, *start], env=environment, stdout=log, stderr=log, start_new_session=True
            )

    def wait_until_ready(self) -> None:
        """Wait until it has reported."""

        def ready() -> bool:
            assert self._process.poll() is None, self.log.read_text()
            return self._shop.workers_present() > 0

        wait_until(ready, "the worker reports")

    def kill(self) -> None:
        """End it and its measuring processes at once (SIGKILL to the process group)."""
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def children(self) -> list[int]:
        """Numbers of its measuring processes."""
        return sorted(measuring_processes(self._process.pid))

    def stop(self) -> int:
        """Tell it to stop (SIGTERM) and wait; its exit code."""
        self._process.terminate()
        return self._process.wait(timeout=60)

    def close(self) -> None:
        """End it if it still runs."""
        if self._process.poll() is None:
            self.kill()


def recording(number: int, count: int = 3) -> bytes:
    """A take of plain strums as WAV bytes, at a level of its own."""
    return pcm16(strums(count=count, level_dbfs=-12.0 - number / 10))
