"""A thousand takes through a fleet in which something is killed every few seconds; then longer outages. Prints figures.

python tests/faults/soak_fleet.py [TAKES [SEED [PART ...]]]; some ten minutes, and root for the part with a host
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / folder) for folder in ("client", "service", "worker", "tests")]

from sqlalchemy.exc import SQLAlchemyError  # noqa: E402

from faults import chaos  # noqa: E402
from faults.fleet import Fleet  # noqa: E402
from faults.fleet_hosts import HERE, FarHost  # noqa: E402
from faults.fleet_ledger import ledger  # noqa: E402
from faults.fleet_sender import Sender, long_take  # noqa: E402
from services import wait_until  # noqa: E402

MINUTES_PER_THOUSAND = 6.0
# With hundreds waiting, words that are said again every other second would be most of what the workers read.
REPUBLISH_AFTER_S = 10.0
BETWEEN_S = (1.0, 4.0)
TAKES_PER_S = 5.0
AT_ONCE = 4
AWAY_S = 60.0
CUT_S = 15.0
SETTLED_WITHIN_S = 600.0


def at_rest(fleet: Fleet) -> bool:
    """Whether no take waits or is being measured; False while the database does not say."""
    try:
        counts = fleet.counts()
    except SQLAlchemyError:
        return False
    return not counts["waiting"] + counts["measuring"]


def settle(fleet: Fleet, sender: Sender) -> None:
    """Wait until all is measured, and print and judge the books."""
    fleet.mend()
    wait_until(partial(at_rest, fleet), "no take waits or is being measured", SETTLED_WITHIN_S)
    print(f"  answers: {dict(sender.answers)}")
    ledger(fleet, sender).require_clean()


def killed_all_the_time(takes: int, seed: int) -> None:
    """Everything that can be killed is, and Redis forgets all each time."""
    with (
        tempfile.TemporaryDirectory(prefix="coilbench-soak-") as folder,
        Fleet(Path(folder), apis=2, workers=2, republish_after_s=REPUBLISH_AFTER_S) as fleet,
    ):
        fleet.start()
        sender = Sender(fleet.addresses, at_once=AT_ONCE, pause_s=AT_ONCE / TAKES_PER_S, within_s=SETTLED_WITHIN_S)
        sending = sender.begin(takes)
        minutes = MINUTES_PER_THOUSAND * takes / 1000
        over = lambda: not sending.is_alive() and at_rest(fleet)  # noqa: E731
        done = chaos.chaos(fleet, seed, minutes, chaos.EVERY, between_s=BETWEEN_S, enough=over)
        print(f"  faults: {dict(sorted(done.items()))}")
        sending.join(SETTLED_WITHIN_S)
        settle(fleet, sender)


def database_away(takes: int, seed: int) -> None:
    """PostgreSQL is away for a minute while takes come and are measured; Redis keeps what it has."""
    with (
        tempfile.TemporaryDirectory(prefix="coilbench-soak-") as folder,
        Fleet(Path(folder), apis=2, workers=2, append_only=True) as fleet,
    ):
        fleet.start()
        sender = Sender(fleet.addresses, within_s=SETTLED_WITHIN_S)
        sender.send(2, long_take)
        wait_until(lambda: fleet.counts()["measuring"] > 0, "takes are in hand")
        sending = sender.begin(takes // 10)
        acts = {"away": chaos.postgres_away(AWAY_S), "Redis": chaos.redis_killed}
        for act in acts.values():
            chaos.chaos(fleet, seed, 1.0, {"it": act}, enough=once())
        sending.join(SETTLED_WITHIN_S)
        settle(fleet, sender)


def host_cut_off(takes: int, _seed: int) -> None:
    """One of two workers is on another host, whose wire is cut for longer than a lease with a take in its hands."""
    with (
        FarHost() as host,
        tempfile.TemporaryDirectory(prefix="coilbench-soak-") as folder,
        Fleet(Path(folder), apis=1, workers=2, listen=(HERE,)) as fleet,
    ):
        far = fleet.workers[0]
        host.move_here(far, fleet)
        fleet.start()
        sender = Sender(fleet.addresses, within_s=SETTLED_WITHIN_S)
        sender.send(2, long_take)
        wait_until(lambda: fleet.counts()["measuring"] == 2, "both hosts have takes in hand")
        host.cut()
        sender.send(takes // 20)
        wait_until(partial(at_rest, fleet), "the other host measures all", SETTLED_WITHIN_S)
        print(f"  all measured by the host that was left, {fleet.counts()['measured']} takes")
        time.sleep(CUT_S)
        host.heal()
        print("  healed")
        fleet.workers[1].stop()
        sender.send(takes // 20)
        wait_until(partial(at_rest, fleet), "the host that came back measures", SETTLED_WITHIN_S)
        settle(fleet, sender)


def once() -> Callable[[], bool]:
    """False when first asked, then True."""
    asked = iter([False])
    return lambda: next(asked, True)


PARTS = (killed_all_the_time, database_away, host_cut_off)


def main(takes: int = 1000, seed: int = 1, *names: str) -> int:
    """Each part, or those that are named, with its figures."""
    for part in PARTS:
        if names and part.__name__ not in names:
            continue
        began = time.monotonic()
        print(f"{part.__name__.replace('_', ' ')}:", flush=True)
        part(takes, seed)
        print(f"  {time.monotonic() - began:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(*map(int, sys.argv[1:3]), *sys.argv[3:]))
