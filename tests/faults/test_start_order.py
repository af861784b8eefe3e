"""Hosts come up in any order: what misses a store says so in a line and ends, or waits for it; then all is measured."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import requests

from faults.fleet import Fleet
from faults.fleet_ledger import ledger
from faults.fleet_sender import Sender
from services import wait_until

pytestmark = pytest.mark.xdist_group("fleet-start")
TAKES = 4


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    """Nothing of it runs yet."""
    with Fleet(tmp_path, apis=1, workers=1) as fleet:
        yield fleet


def test_processes_that_come_before_their_stores_end_with_one_plain_line_or_wait(fleet: Fleet) -> None:
    (api,), (worker,) = fleet.apis, fleet.workers
    assert fleet.postgres is not None
    for process in (api, worker):
        process.start()
    for process in (api, worker):
        assert process.ended() == 1, process.said
        assert "Traceback" not in process.said
        last = process.said.splitlines()[-1]
        assert "database" in last or "does not answer" in last, process.said

    fleet.postgres.start()
    api.start()
    assert api.ended() == 1
    assert "coilbench-server migrate" in api.said.splitlines()[-1]

    fleet.database.migrate()
    api.start()
    api.wait_until_ready()
    sender = Sender(fleet.addresses)
    sender.send(TAKES)  # Redis is not there yet: the takes wait
    assert fleet.counts()["waiting"] == TAKES
    ready = requests.get(f"{fleet.addresses[0]}/readyz", timeout=30)
    assert ready.status_code == 503
    assert "COILBENCH_BROKER_URL" in ready.text

    worker.start()
    wait_until(lambda: "6379" in worker.said_since_start or "onnect" in worker.said_since_start, "it looks for Redis")
    fleet.redis.start()
    worker.wait_until_ready()
    fleet.wait_until_final()
    ledger(fleet, sender).require_clean()
