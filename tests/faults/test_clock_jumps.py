"""A host's clock, or the database's, is set an hour forward or back while takes are measured: nothing waits an hour."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from faults.fleet import Fleet
from faults.fleet_clock import MovedClock
from faults.fleet_ledger import ledger
from faults.fleet_sender import Sender, long_take
from services import wait_until

pytestmark = pytest.mark.xdist_group("fleet-clock")
HOUR_S = 3600.0
TAKES = 4


@pytest.fixture(scope="module")
def host_clock() -> Iterator[MovedClock]:
    """Of the API process and of one worker."""
    with MovedClock() as clock:
        yield clock


@pytest.fixture(scope="module")
def database_clock() -> Iterator[MovedClock]:
    with MovedClock() as clock:
        yield clock


@pytest.fixture(scope="module")
def whole(
    tmp_path_factory: pytest.TempPathFactory, host_clock: MovedClock, database_clock: MovedClock
) -> Iterator[Fleet]:
    folder = tmp_path_factory.mktemp("clock")
    with Fleet(folder, apis=1, workers=2, database_environment=database_clock.environment) as fleet:
        for process in (fleet.apis[0], fleet.workers[0]):
            process.environment |= host_clock.environment
        fleet.start()
        yield fleet


@pytest.fixture(scope="module")
def sender(whole: Fleet) -> Sender:
    return Sender(whole.addresses)


@pytest.fixture
def fleet(whole: Fleet, host_clock: MovedClock, database_clock: MovedClock) -> Iterator[Fleet]:
    yield whole
    host_clock.move(0)
    database_clock.move(0)


def ahead_s(fleet: Fleet) -> float:
    """How far the database's clock is ahead of that of this process, s."""
    with fleet.database.read() as connection:
        instant = connection.execute(text("SELECT clock_timestamp()")).scalar_one()
    found: float = (instant - datetime.now(UTC)).total_seconds()
    return found


@pytest.mark.parametrize("hours", [1, pytest.param(-1, marks=pytest.mark.soak)])
def test_a_host_whose_clock_is_set_neither_holds_takes_up_nor_takes_them_from_others(
    fleet: Fleet, sender: Sender, host_clock: MovedClock, hours: int
) -> None:
    sender.send(2, long_take)
    wait_until(lambda: fleet.counts()["measuring"] > 0, "a take is being measured")
    host_clock.move(hours * HOUR_S)
    sender.send(TAKES)
    fleet.wait_until_final()
    host_clock.move(0)
    sender.send(TAKES)
    fleet.wait_until_final()
    assert f"{datetime.now(UTC) + timedelta(hours=hours):%Y-%m-%dT%H}" in fleet.workers[0].said, "its clock was set"
    books = ledger(fleet, sender)
    books.require_clean()
    assert books.tried_again == 0, "leases go by the database's clock"


@pytest.mark.parametrize("hours", [pytest.param(1, marks=pytest.mark.soak), -1])
def test_a_database_whose_clock_is_set_holds_up_neither_takes_nor_those_of_a_worker_that_died(
    fleet: Fleet, sender: Sender, database_clock: MovedClock, hours: int
) -> None:
    sender.send(2, long_take)
    wait_until(lambda: fleet.holder() is not None, "a take is being measured")
    died = fleet.holder()
    assert died is not None
    died.kill()
    database_clock.move(hours * HOUR_S)
    assert abs(ahead_s(fleet) - hours * HOUR_S) < 60
    sender.send(TAKES)
    fleet.wait_until_final()
    database_clock.move(0)
    died.start()
    sender.send(TAKES)
    fleet.wait_until_final()
    fleet.mend()
    ledger(fleet, sender).require_clean()
