"""A take that its whole worker dies of, each time it is tried: it fails after three times, and the others go on."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests

from faults.fleet import Fleet
from faults.fleet_ledger import ledger
from faults.fleet_sender import Sender, short_take
from faults.test_broken_decoder import BROKEN, FATAL_RATE_HZ, at_rate
from services import wait_until

TAKES = 6


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    with Fleet(tmp_path, postgres=False, lease_s=1.0) as fleet:
        fleet.workers[0].environment |= {
            "PYTHONPATH": f"{BROKEN}:{fleet.workers[0].environment.get('PYTHONPATH', '')}".rstrip(":"),
            "DYING_DECODER": f"{int(signal.SIGKILL)}/{FATAL_RATE_HZ}",
            "WHOLE_GROUP": "1",
        }
        fleet.start()
        yield fleet


@pytest.mark.xdist_group("fleet-deadly")
def test_a_take_that_kills_its_worker_three_times_fails_and_the_others_are_measured(fleet: Fleet) -> None:
    sender = Sender(fleet.addresses)
    sender.send(1, lambda number: at_rate(short_take(number), FATAL_RATE_HZ))
    (deadly,) = sender.accepted.values()
    sender.send(TAKES - 1)
    worker = fleet.workers[0]
    deaths = 0

    def all_final() -> bool:
        nonlocal deaths
        if not worker.running:
            deaths += 1
            worker.start()  # as systemd or Docker would
        counts = fleet.counts()
        return not counts["waiting"] + counts["measuring"]

    wait_until(all_final, "no take waits or is being measured", within_s=300)
    take = requests.get(f"{fleet.addresses[0]}/v1/takes/{deadly}", timeout=10).json()
    assert (take["state"], take["problem"]["type"]) == ("failed", "/problems/attempts-used-up")
    assert deaths == fleet.configuration.max_attempts == 3
    ledger(fleet, sender).require_clean(failed=1)
