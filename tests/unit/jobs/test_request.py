from __future__ import annotations

import pytest

from arrivals import PlainSettings, arrive
from coilbench_worker import jobs
from coilbench_worker.jobs.request import NoSuchTake
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.takes import TakeRecord

LIMITS = {"lease_s": 60, "max_attempts": 3}
LEFT = PlainSettings({"channel": 1})
RIGHT = PlainSettings({"channel": 2})
TRACES = {"overview": {}, "strums": []}


def request(database: Database, take: TakeRecord, settings: PlainSettings, version: str = "1") -> TakeRecord:
    with database.write() as connection:
        return jobs.request(connection, take.id, settings, version=version)


def claim(database: Database, take: TakeRecord) -> jobs.Claim:
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, "node/1", **LIMITS)
    assert held is not None
    return held


def test_other_settings_make_a_new_job_and_keep_the_old_measurement(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, settings=LEFT)
    jobs.finish(database, claim(database, take), {"version": "1", "side": "left", "traces": TRACES})
    again = request(database, take, RIGHT)
    assert (again.state, again.settings) == ("waiting", {"channel": 2})
    assert again.job_id != take.job_id
    jobs.finish(database, claim(database, again), {"version": "1", "side": "right", "traces": TRACES})
    back = request(database, take, LEFT)
    assert (back.state, back.job_id) == ("measured", None)
    with database.read() as connection:
        found = measurements.current(connection, take.id)
    assert found is not None
    assert found.document["side"] == "left"


def test_a_newer_version_of_the_measuring_code_measures_again(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, settings=LEFT)
    jobs.finish(database, claim(database, take), {"version": "1"})
    again = request(database, take, LEFT, version="2")
    assert again.state == "waiting"
    jobs.finish(database, claim(database, again), {"version": "2"})
    with database.read() as connection:
        found = measurements.current(connection, take.id)
    assert found is not None
    assert found.version == "2"


def test_measurement_without_traces_is_made_again_for_its_traces_and_keeps_its_figures(
    database: Database, blobs: Blobs
) -> None:
    take = arrive(database, blobs, settings=LEFT)
    jobs.finish(database, claim(database, take), {"version": "1", "by": "the first"})
    again = request(database, take, LEFT)
    assert again.state == "waiting"
    jobs.finish(database, claim(database, again), {"version": "1", "by": "the second", "traces": TRACES})
    with database.read() as connection:
        found, traces = measurements.current(connection, take.id), measurements.traces(connection, take.id)
    assert found is not None
    assert found.document == {"version": "1", "by": "the first"}
    assert traces == TRACES
    assert request(database, take, LEFT).state == "measured"


def test_the_same_settings_while_waiting_change_nothing(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, settings=LEFT)
    assert request(database, take, LEFT) == take


def test_a_job_whose_settings_were_changed_while_it_ran_changes_nothing(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, settings=LEFT)
    old = claim(database, take)
    again = request(database, take, RIGHT)
    assert not jobs.finish(database, old, {"version": "1"})
    with database.read() as connection:
        found = takes.get(connection, take.id)
    assert found is not None
    assert (found.state, found.job_id) == ("waiting", again.job_id)
    assert take.job_id not in jobs.due(database, max_attempts=3, lease_s=30, republish_after_s=0)


def test_a_failed_take_is_tried_again_on_request(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, settings=LEFT)
    jobs.fail(database, claim(database, take), {"title": "fault"})
    again = request(database, take, LEFT)
    assert (again.state, again.problem) == ("waiting", None)
    assert jobs.finish(database, claim(database, again), {"version": "1"})


def test_measuring_a_take_that_is_not_there_is_an_error(database: Database) -> None:
    with pytest.raises(NoSuchTake, match="no-such-take"), database.write() as connection:
        jobs.request(connection, "no-such-take", LEFT, version="1")
