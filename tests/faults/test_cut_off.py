"""One of two workers is cut off from its stores for longer than a lease, with a take in its hands, and found again."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from fault_proxy import FaultProxy
from faults.fleet import Fleet
from faults.fleet_ledger import ledger, results_that_counted
from faults.fleet_sender import Sender, long_take
from services import wait_until

pytestmark = pytest.mark.xdist_group("fleet-cut")
TAKES = 6
LEASES = 1.5
Cut = Callable[[FaultProxy], None]


class Wires:
    """The ways of the far worker to PostgreSQL and to Redis."""

    def __init__(self, database: FaultProxy, broker: FaultProxy) -> None:
        self.named = {"database": database, "broker": broker}

    def cut(self, names: str, how: Cut) -> None:
        """Cut those that are named."""
        for name in names.split():
            how(self.named[name])

    def heal(self) -> None:
        """All passes again."""
        for wire in self.named.values():
            wire.passing()


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """The far worker is the first one."""
    with Fleet(tmp_path_factory.mktemp("cut"), apis=1, workers=2) as fleet:
        yield fleet


@pytest.fixture(scope="module")
def wires(fleet: Fleet) -> Iterator[Wires]:
    assert fleet.postgres is not None
    with FaultProxy(fleet.postgres.port) as database, FaultProxy(fleet.redis.port) as broker:
        configuration = fleet.configuration
        fleet.workers[0].environment |= {
            "COILBENCH_DATABASE_URL": configuration.database.replace(str(fleet.postgres.port), str(database.port)),
            "COILBENCH_BROKER_URL": configuration.broker.replace(str(fleet.redis.port), str(broker.port)),
        }
        fleet.start()
        yield Wires(database, broker)


@pytest.fixture(scope="module")
def sender(fleet: Fleet, wires: Wires) -> Sender:
    return Sender(fleet.addresses)


@pytest.mark.parametrize(
    ("names", "how"),
    [("database", FaultProxy.stall), ("broker", FaultProxy.stall), ("database broker", FaultProxy.refuse)],
)
def test_a_worker_that_was_cut_off_costs_no_take_and_works_on_when_it_is_found_again(
    fleet: Fleet, wires: Wires, sender: Sender, names: str, how: Cut
) -> None:
    far = fleet.workers[0]
    sender.send(2, long_take)
    wait_until(lambda: fleet.counts()["measuring"] > 0, "a take is being measured")
    wires.cut(names, how)
    cut_at = time.monotonic()
    sender.send(TAKES)
    fleet.wait_until_final()
    lease_s = fleet.configuration.lease_s
    wait_until(lambda: time.monotonic() > cut_at + LEASES * lease_s, "no lease of before can hold any more")
    wires.heal()
    before = results_that_counted([far]).total()

    def works() -> bool:
        sender.send(1)
        fleet.wait_until_final()
        return results_that_counted([far]).total() > before

    wait_until(works, "the worker that was cut off measures again", within_s=90, every_s=0.2)
    ledger(fleet, sender).require_clean()
