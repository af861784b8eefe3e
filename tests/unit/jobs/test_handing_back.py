"""A worker gives back all that it holds, or all that one of its processes held."""

from __future__ import annotations

import pytest

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database


@pytest.fixture
def holders(database: Database, blobs: Blobs) -> dict[str, str]:
    """Job by the process that holds it."""
    found = {}
    for number, worker in enumerate(("one/1", "one/12", "two/1")):
        take = arrive(database, blobs, bytes([number]) * 10, settings=MeasureSettings())
        assert take.job_id is not None
        assert jobs.claim(database, take.job_id, worker, lease_s=30, max_attempts=3) is not None
        found[worker] = take.job_id
    return found


def test_what_one_process_held_is_given_back_alone_and_uses_up_an_attempt(
    database: Database, holders: dict[str, str]
) -> None:
    assert jobs.held(database, "one/1") == 1
    assert jobs.hand_back_all(database, "one/1", counts=True) == 1
    assert (jobs.held(database, "one/1"), jobs.held(database, "one/12"), jobs.held(database, "two")) == (0, 1, 1)
    again = jobs.claim(database, holders["one/1"], "two/2", lease_s=30, max_attempts=3)
    assert again is not None
    assert again.tries == 2


def test_what_a_stopping_worker_held_is_given_back_and_uses_up_none(
    database: Database, holders: dict[str, str]
) -> None:
    assert jobs.hand_back_all(database, "one") == 2
    assert (jobs.held(database, "one"), jobs.held(database, "two")) == (0, 1)
    again = jobs.claim(database, holders["one/12"], "two/2", lease_s=30, max_attempts=3)
    assert again is not None
    assert again.tries == 1
