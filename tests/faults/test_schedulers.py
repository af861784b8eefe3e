"""Several nodes look for forgotten jobs at the same moment, in threads and in processes: each job is announced once."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from sqlalchemy import update

from arrivals import arrive
from coilbench_worker.jobs.claim import claim
from coilbench_worker.store import clock
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs
from faults.announcing_process import LONG_S

NODE = Path(__file__).with_name("announcing_process.py")
JOBS, PROCESSES, THREADS, ROUNDS = 60, 2, 4, 3


@contextmanager
def node(url: str) -> Iterator[subprocess.Popen[str]]:
    """A process that is ready to begin its rounds."""
    process = subprocess.Popen(
        [sys.executable, NODE, url, str(THREADS), str(ROUNDS)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def announced(url: str) -> list[str]:
    """What several nodes, which begin at once, announce between them."""
    with ExitStack() as stack:
        nodes = [stack.enter_context(node(url)) for _ in range(PROCESSES)]
        for each in nodes:
            assert each.stdin is not None
            each.stdin.write("now\n")
            each.stdin.flush()
        found = []
        for each in nodes:
            said, _ = each.communicate(timeout=120)
            assert each.returncode == 0
            found += said.split()
        return found


def arrived(database: Database, blobs: Blobs) -> list[str]:
    """Jobs that no broker was told of."""
    found = [arrive(database, blobs, b"strum %d" % number).job_id for number in range(JOBS)]
    with database.write() as connection:
        connection.execute(update(jobs).values(published=None))
    return [job for job in found if job is not None]


def test_nodes_that_look_at_the_same_moment_announce_each_forgotten_job_once(
    database: Database, database_url: str, blobs: Blobs
) -> None:
    wanted = arrived(database, blobs)
    found = announced(database_url)
    assert sorted(found) == sorted(wanted)
    assert announced(database_url) == [], "what was just announced is left alone"


def test_leases_that_ran_out_are_taken_back_once_by_nodes_that_look_at_the_same_moment(
    database: Database, database_url: str, blobs: Blobs
) -> None:
    wanted = arrived(database, blobs)
    for job in wanted:
        assert claim(database, job, "gone/1", lease_s=LONG_S, max_attempts=3) is not None
    with database.write() as connection:
        connection.execute(update(jobs).values(lease_until=clock.now(connection)))
    found = announced(database_url)
    assert sorted(found) == sorted(wanted)
    with database.read() as connection:
        rows = connection.execute(jobs.select()).all()
    assert {(row.state, row.attempt, row.returned) for row in rows} == {("waiting", 1, 0)}
