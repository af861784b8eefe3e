"""What became of the takes that a fleet accepted: nothing lost, nothing twice, nothing stuck. Printed, and asserted."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass

import requests
from sqlalchemy import func, select

from coilbench_worker.store.schema import files, jobs, measurements, takes
from coilbench_worker.store.states import FAILED, MEASURED, MEASURING, REJECTED, WAITING
from faults.fleet import Fleet
from faults.fleet_process import FleetProcess
from faults.fleet_sender import Sender

PAGE = 500


@dataclass(frozen=True)
class Ledger:
    """Numbers of takes, recordings apart.

    `lost` have no row or no recording; `unknown` are rows that nobody was told of; `measured_twice` are takes with
    more than one measurement, more than one row of the table, or more than one result that counted; `tried_again` is
    what faults cost; `swept` are recordings that crashes left to nobody.
    """

    accepted: int
    measured: int
    lost: int
    unknown: int
    measured_twice: int
    missing_in_table: int
    stuck: int
    failed: int
    rejected: int
    tried_again: int
    swept: int
    orphan_recordings: int

    def __str__(self) -> str:
        return ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in asdict(self).items())

    def require_clean(self, *, failed: int = 0) -> None:
        """Fail unless every take that was accepted is measured once, but for those that were meant to fail."""
        print(self)
        assert self.measured == self.accepted - failed, str(self)
        assert self.failed == failed, str(self)
        bad = (self.lost, self.unknown, self.measured_twice, self.missing_in_table, self.stuck, self.rejected)
        assert not any(bad), str(self)
        assert self.orphan_recordings == 0, str(self)


def ledger(fleet: Fleet, sender: Sender) -> Ledger:
    """The books of a fleet that has come to rest: an API process must answer."""
    assert sender.complaints == [], sender.complaints[:3]
    known = set(sender.accepted.values())
    swept = fleet.sweep()
    with fleet.database.read() as connection:
        rows = connection.execute(
            select(takes.c.id, takes.c.state, files.c.blob).join(files, files.c.sha256 == takes.c.file_sha256)
        ).all()
        counting = select(measurements.c.take_id, func.count()).group_by(measurements.c.take_id)
        made = {row[0]: row[1] for row in connection.execute(counting)}
        again = connection.execute(select(func.count()).select_from(jobs).where(jobs.c.attempt > 1)).scalar_one()
        wanted = set(connection.execute(select(files.c.blob)).scalars())
    kept = set(stored_keys(fleet))
    states = Counter(row.state for row in rows)
    there = {row.id for row in rows if row.blob in kept}
    measured = {row.id for row in rows if row.state == MEASURED}
    in_table, counted = rows_of_table(fleet.addresses[0]), results_that_counted(fleet.workers)
    twice = [name for name in there if max(made.get(name, 0), in_table[name], counted[name]) > 1]
    return Ledger(
        accepted=len(known),
        measured=states[MEASURED],
        lost=len(known - there),
        unknown=len(there - known),
        measured_twice=len(twice),
        missing_in_table=sum(1 for name in measured if in_table[name] == 0 or made.get(name, 0) == 0),
        stuck=states[WAITING] + states[MEASURING],
        failed=states[FAILED],
        rejected=states[REJECTED],
        tried_again=again,
        swept=swept,
        orphan_recordings=len(kept - wanted),
    )


def stored_keys(fleet: Fleet) -> list[str]:
    """Keys of the recordings that are in the store of a fleet."""
    folder = fleet.folder / "audio"
    return [f"{path.parent.name}/{path.name}" for path in folder.glob("[0-9a-f][0-9a-f]/*")]


def rows_of_table(address: str) -> Counter[str]:
    """How many rows each take has in the table of takes, asked over HTTP."""
    found: Counter[str] = Counter()
    answer = requests.get(f"{address}/v1/table", params={"per": "take", "format": "jsonl"}, timeout=60)
    answer.raise_for_status()
    for line in answer.text.splitlines():
        found[json.loads(line)["take"]] += 1
    return found


def results_that_counted(workers: Iterable[FleetProcess]) -> Counter[str]:
    """How many measurements of each take passed the fence, by the logs of the workers."""
    found: Counter[str] = Counter()
    for worker in workers:
        for line in worker.said.splitlines():
            with suppress(ValueError):
                said = json.loads(line)
                if said.get("outcome") == "measured" and said.get("counted"):
                    found[said["take"]] += 1
    return found
