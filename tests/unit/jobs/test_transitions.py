"""All acts played against each other, by several workers with late finishers and clocks that jump, on real databases.

What is seen to happen is held against the table of transitions, both ways.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test
from sqlalchemy import delete, func, select

from arrivals import PlainSettings, arrive
from coilbench_worker import jobs
from coilbench_worker.jobs.transitions import OF_JOBS, OF_TAKES, Transition
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import measurements as measurement_table
from coilbench_worker.store.schema import metadata
from coilbench_worker.store.schema import takes as take_table
from coilbench_worker.store.states import FINAL_STATES, MEASURED, MEASURING, WAITING
from moved_clock import moved_clock

LEASE_S = 30.0
MAX_ATTEMPTS = 2
ROUND = {"max_attempts": MAX_ATTEMPTS, "lease_s": LEASE_S, "republish_after_s": LEASE_S}
CLAIM = {"lease_s": LEASE_S, "max_attempts": MAX_ATTEMPTS}
TRACES = {"overview": {}, "strums": []}
PROBLEM = {"title": "fault"}

Row = tuple[str, str | None, str | None]
number = st.integers(0, 5)
KINDS = [PlainSettings({"channel": channel}) for channel in (1, 2)]
WORKERS = ["north/1", "north/2", "south/1"]
JUMPS_S = [-1e5, -40.0, 40.0, 1e5]


class Seen(NamedTuple):
    """(act, before, after) of jobs and of takes."""

    jobs: set[Row]
    takes: set[Row]


class State(NamedTuple):
    """Everything that acts may change."""

    takes: dict[str, Any]
    jobs: dict[str, Any]
    measurements: dict[tuple[str, str, str], int]


def rows(table: tuple[Transition, ...]) -> set[Row]:
    return {(one.act, one.before, one.after) for one in table}


def changes(act: str, before: dict[str, Any], after: dict[str, Any], *counted: str) -> Iterator[Row]:
    """What an act did to the rows of a table, looking at these columns."""
    for id in before.keys() | after.keys():
        was, became = before.get(id), after.get(id)
        if was is None or became is None or any(getattr(was, name) != getattr(became, name) for name in counted):
            yield act, was and was.state, became and became.state


def played(database: Database, blobs: Blobs, seen: Seen, *, examples: int, walk: int) -> None:
    """Hypothesis plays examples, each on empty tables; then comes one long walk, the same each time."""

    class Floor(RuleBasedStateMachine):
        """Takes, workers that claim and finish them sooner or later, and people who change their minds."""

        def __init__(self) -> None:
            super().__init__()
            self.claims: list[jobs.Claim] = []
            self.clock = ExitStack()
            with database.write() as connection:
                for table in reversed(metadata.sorted_tables):
                    connection.execute(delete(table))
            self.now = look()

        @contextmanager
        def act(self, name: str) -> Iterator[State]:
            before = self.now
            yield before
            self.now = look()
            seen.jobs.update(changes(name, before.jobs, self.now.jobs, "state", "attempt"))
            seen.takes.update(changes(name, before.takes, self.now.takes, "state", "job_id", "settings_key"))

        def chosen(self, among: dict[str, Any], place: int) -> str:
            """Counted from the newest."""
            return sorted(among, reverse=True)[place % len(among)]

        def end(self, name: str, place: int, end: Callable[[Database, jobs.Claim], bool]) -> None:
            """A worker ends its claim, maybe late: then nothing changes."""
            claim = self.claims[-1 - place % len(self.claims)]
            with self.act(name) as before:
                job = before.jobs.get(claim.job_id)
                holds = job is not None and (job.state, job.attempt) == (MEASURING, claim.attempt)
                assert end(database, claim) is holds
            assert holds or self.now == before

        @rule(settings=st.sampled_from(KINDS))
        def accept(self, settings: PlainSettings) -> None:
            with self.act("accept"):
                arrive(database, blobs, settings=settings)

        @precondition(lambda self: self.now.jobs)
        @rule(place=number, worker=st.sampled_from(WORKERS))
        def claim(self, place: int, worker: str) -> None:
            with self.act("claim"):
                held = jobs.claim(database, self.chosen(self.now.jobs, place), worker, **CLAIM)
            if held is not None:
                self.claims.append(held)

        @precondition(lambda self: self.claims)
        @rule(place=number, traces=st.booleans())
        def finish(self, place: int, traces: bool) -> None:
            document = {"version": "1"} | ({"traces": TRACES} if traces else {})
            self.end("finish", place, lambda database, claim: jobs.finish(database, claim, document))

        @precondition(lambda self: self.claims)
        @rule(place=number)
        def reject(self, place: int) -> None:
            self.end("reject", place, lambda database, claim: jobs.reject(database, claim, PROBLEM))

        @precondition(lambda self: self.claims)
        @rule(place=number)
        def fail(self, place: int) -> None:
            self.end("fail", place, lambda database, claim: jobs.fail(database, claim, PROBLEM))

        @precondition(lambda self: self.claims)
        @rule(place=number, counts=st.booleans())
        def hand_back(self, place: int, counts: bool) -> None:
            self.end("hand_back", place, lambda database, claim: jobs.hand_back(database, claim, counts=counts))

        @precondition(lambda self: self.now.jobs)
        @rule(place=number)
        def find_the_store_away(self, place: int) -> None:
            self.claim(place, "south/1")
            if self.claims:
                self.hand_back(0, True)

        @precondition(lambda self: self.claims)
        @rule(place=number)
        def extend(self, place: int) -> None:
            self.end("extend", place, lambda database, claim: jobs.extend(database, claim, lease_s=LEASE_S))

        @rule(worker=st.sampled_from(["north", "south"]))
        def stop_a_worker(self, worker: str) -> None:
            with self.act("hand_back"):
                jobs.hand_back_all(database, worker)

        @rule()
        def make_the_round(self) -> None:
            with self.act("expire"):
                jobs.due(database, **ROUND)

        @precondition(lambda self: self.now.takes)
        @rule(place=number, settings=st.sampled_from(KINDS))
        def request(self, place: int, settings: PlainSettings) -> None:
            with self.act("request"), database.write() as connection:
                jobs.request(connection, self.chosen(self.now.takes, place), settings, version="1")

        @precondition(lambda self: self.now.takes)
        @rule(place=number)
        def remove(self, place: int) -> None:
            with self.act("remove"):
                jobs.remove(database, blobs, self.chosen(self.now.takes, place))

        @precondition(lambda self: self.now.jobs)
        @rule(place=number)
        def take_over(self, place: int) -> None:
            """The lease of whoever has the job runs out, and another claims it before anybody makes the round."""
            self.move_the_clock(40.0)
            self.claim(place, "south/1")

        @rule()
        def make_the_round_later(self) -> None:
            self.move_the_clock(40.0)
            self.make_the_round()

        @rule(seconds=st.sampled_from(JUMPS_S))
        def move_the_clock(self, seconds: float) -> None:
            self.clock.enter_context(moved_clock(seconds))

        @invariant()
        def takes_and_jobs_agree(self) -> None:
            current = {take.job_id for take in self.now.takes.values()}
            for take in self.now.takes.values():
                assert take.state == (MEASURED if take.job_id is None else self.now.jobs[take.job_id].state)
                if take.state == MEASURED:
                    assert (take.id, take.settings_key, "1") in self.now.measurements
            for job in self.now.jobs.values():
                assert job.take_id in self.now.takes
                assert job.id in current or job.state not in (WAITING, MEASURING)
                assert job.attempt - job.returned <= MAX_ATTEMPTS
                assert (job.state == MEASURING) == (job.lease_until is not None)
            assert set(self.now.measurements.values()) <= {1}

        def teardown(self) -> None:
            """Whatever happened, a worker that finishes what it is told of brings everything to an end."""
            for _ in range(MAX_ATTEMPTS + 1):
                self.move_the_clock(3 * LEASE_S)
                with self.act("expire"):
                    due = jobs.due(database, **ROUND)
                for job_id in due:
                    self.claims = []
                    self.claim(sorted(self.now.jobs, reverse=True).index(job_id), "north/1")
                    self.finish(0, True)
            self.takes_and_jobs_agree()
            self.clock.close()
            assert {take.state for take in self.now.takes.values()} <= set(FINAL_STATES)
            assert sorted(job.state for job in self.now.jobs.values() if job.state in (WAITING, MEASURING)) == []

    def look() -> State:
        with database.read() as connection:
            found = select(measurement_table.c.take_id, measurement_table.c.settings_key, measurement_table.c.version)
            counted = found.add_columns(func.count()).group_by(*found.selected_columns)
            return State(
                {row.id: row for row in connection.execute(select(take_table))},
                {row.id: row for row in connection.execute(select(job_table))},
                {(row[0], row[1], row[2]): row[3] for row in connection.execute(counted)},
            )

    run_state_machine_as_test(
        Floor,
        settings=settings(
            max_examples=examples,
            stateful_step_count=30,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    floor, random = Floor(), Random(1)

    def place() -> int:
        return random.randint(0, 2)

    def measure() -> None:
        floor.claim(place(), random.choice(WORKERS))
        random.choice([lambda: floor.finish(0, True), lambda: floor.reject(0), lambda: floor.fail(0)])()

    def change_ones_mind() -> None:
        which = place()
        for kind in random.sample(KINDS, 2):
            floor.request(which, kind)
            floor.claim(0, random.choice(WORKERS))

    rest = (
        lambda: floor.claim(place(), random.choice(WORKERS)),
        lambda: floor.reject(place()),
        lambda: floor.fail(place()),
        lambda: floor.hand_back(place(), random.random() < 0.5),
        lambda: floor.find_the_store_away(place()),
        lambda: floor.extend(place()),
        lambda: floor.stop_a_worker("north"),
        floor.make_the_round,
        floor.make_the_round_later,
        lambda: floor.take_over(place()),
        lambda: floor.remove(place()),
        lambda: floor.move_the_clock(random.choice(JUMPS_S)),
    )
    often = (
        lambda: floor.finish(place(), random.random() < 0.8),
        lambda: floor.request(place(), random.choice(KINDS)),
        measure,
        change_ones_mind,
    )
    for _ in range(walk):
        if len(floor.now.takes) < 3:
            floor.accept(random.choice(KINDS))
            floor.claim(0, WORKERS[0])
        random.choice(rest if random.random() < 0.6 else often)()
        floor.takes_and_jobs_agree()
    floor.teardown()


def test_whatever_is_done_in_whatever_order_keeps_to_the_table_and_everything_in_it_happens(
    sqlite_url: str, tmp_path: Path
) -> None:
    database, seen = Database(sqlite_url), Seen(set(), set())
    database.migrate()
    played(database, Blobs(str(tmp_path / "audio")), seen, examples=10, walk=600)
    database.close()
    assert seen.jobs == rows(OF_JOBS)
    assert seen.takes == rows(OF_TAKES)


def test_the_same_holds_on_postgresql(postgres_url: str, tmp_path: Path) -> None:
    database, seen = Database(postgres_url), Seen(set(), set())
    database.migrate()
    played(database, Blobs(str(tmp_path / "audio")), seen, examples=5, walk=0)
    database.close()
    assert seen.jobs <= rows(OF_JOBS)
    assert seen.takes <= rows(OF_TAKES)


@pytest.mark.parametrize("table", [OF_JOBS, OF_TAKES])
def test_each_transition_is_in_the_table_once_and_has_a_guard(table: tuple[Transition, ...]) -> None:
    assert len(rows(table)) == len(table)
    assert all(one.guard for one in table)
