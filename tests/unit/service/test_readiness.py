"""Ready means that what waits is measured: a worker that reports and begins nothing is no worker."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from arrivals import arrive
from coilbench_service import readiness
from coilbench_service.bench import Bench
from coilbench_service.readiness import UNCLAIMED_S
from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.store import nodes
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import nodes as node_table

LONG_AGO = timedelta(seconds=UNCLAIMED_S + 5)
# A take handed back rests for `republish_after_s`; twice that is what is waited for.
DEFAULT_LONG_AGO = timedelta(seconds=65)


@pytest.fixture
def bench(tmp_path: Path, database_url: str) -> Iterator[Bench]:
    bench = Bench.of(Configuration(data=tmp_path, database_url=database_url, republish_after_s=5.0))
    bench.database.migrate()
    with bench.database.write() as connection:
        nodes.report(connection, "one", 2)
    yield bench
    bench.close()


def worker_fault(bench: Bench) -> str | None:
    return next(part.fault for part in readiness.parts(bench) if part.name == "worker")


def a_take_comes(bench: Bench, number: int) -> str:
    take = arrive(bench.database, bench.blobs, bytes([number]) * 10, settings=MeasureSettings())
    assert take.job_id is not None
    return take.job_id


def time_passes(bench: Bench, by: timedelta = LONG_AGO) -> None:
    """The worker and all jobs came that much earlier; what is announced again is announced just now."""
    with bench.database.write() as connection:
        for row in connection.execute(node_table.select()).all():
            connection.execute(update(node_table).where(node_table.c.name == row.name).values(started=row.started - by))
        for row in connection.execute(job_table.select()).all():
            finished = row.finished and row.finished - by
            connection.execute(
                update(job_table)
                .where(job_table.c.id == row.id)
                .values(created=row.created - by, finished=finished, published=now())
            )


def claim(bench: Bench, job_id: str) -> jobs.Claim:
    held = jobs.claim(bench.database, job_id, "one/1", lease_s=30, max_attempts=3)
    assert held is not None
    return held


def test_takes_that_wait_long_while_none_is_begun_mean_not_ready(bench: Bench) -> None:
    a_take_comes(bench, 1)
    time_passes(bench)
    fault = worker_fault(bench)
    assert fault is not None
    assert "a worker reports, but takes wait" in fault
    assert "30 s" in fault
    assert "start the worker again" in fault


def test_takes_that_came_just_now_are_no_fault(bench: Bench) -> None:
    time_passes(bench)
    a_take_comes(bench, 1)
    assert worker_fault(bench) is None


def test_a_long_queue_is_no_fault_while_a_take_is_measured(bench: Bench) -> None:
    first, _ = a_take_comes(bench, 1), a_take_comes(bench, 2)
    time_passes(bench)
    held = claim(bench, first)
    assert worker_fault(bench) is None
    assert jobs.finish(bench.database, held, {"version": "1"})
    assert worker_fault(bench) is None, "between two takes"
    time_passes(bench)
    assert worker_fault(bench) is not None


def test_a_worker_that_has_just_come_is_given_time(bench: Bench) -> None:
    a_take_comes(bench, 1)
    time_passes(bench)
    with bench.database.write() as connection:
        connection.execute(update(node_table).values(started=now()))
    assert worker_fault(bench) is None


def test_a_take_that_rests_after_a_fault_is_no_stall(tmp_path: Path, bench: Bench) -> None:
    """With the defaults a take handed back is announced again after 30 s, so twice that is waited for."""
    patient = Bench.of(Configuration(data=tmp_path, database_url=bench.configuration.database_url))
    a_take_comes(bench, 1)
    time_passes(bench)
    assert worker_fault(patient) is None
    time_passes(bench, DEFAULT_LONG_AGO - LONG_AGO)
    assert worker_fault(patient) is not None
    patient.close()


def test_with_nothing_waiting_it_is_ready_however_long_ago_the_last_take_came(bench: Bench) -> None:
    held = claim(bench, a_take_comes(bench, 1))
    assert jobs.finish(bench.database, held, {"version": "1"})
    time_passes(bench)
    assert worker_fault(bench) is None
