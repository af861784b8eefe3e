"""Each thing that doctor looks at, well and provoked: what is said, why it matters, what to do."""

from __future__ import annotations

import re
import resource
from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import redis
from sqlalchemy import update

from arrivals import arrive
from coilbench_service.bench import Bench
from coilbench_service.doctor import access, broker, clocks, contradictions, machine, queue
from coilbench_service.doctor.finding import Finding
from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs import problems
from coilbench_worker.store import instants, keys, nodes
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import jobs as job_table


@pytest.fixture
def bench(tmp_path: Path, database_url: str) -> Iterator[Bench]:
    """Stores of a service that lets five takes wait."""
    bench = Bench.of(Configuration(data=tmp_path, database_url=database_url, max_waiting_takes=5))
    bench.database.migrate()
    yield bench
    bench.close()


def of_the_queue(bench: Bench) -> list[Finding]:
    with bench.database.read() as connection:
        return list(queue.findings(connection, bench.configuration))


def of_keys(bench: Bench, **settings: Any) -> list[Finding]:
    configuration = bench.configuration.model_copy(update=settings)
    with bench.database.read() as connection:
        return list(access.findings(connection, configuration))


def amiss(found: Iterable[Finding]) -> list[tuple[str, str]]:
    """Level and name of what is not well; each of it says why and what to do."""
    wrong = [finding for finding in found if finding.level != "ok"]
    for finding in wrong:
        assert finding.why, finding
        assert finding.do, finding
    return [(finding.level, finding.name) for finding in wrong]


def a_worker_reports(bench: Bench) -> None:
    with bench.database.write() as connection:
        nodes.report(connection, "one", 2)


def come(bench: Bench, count: int) -> list[str]:
    return [str(arrive(bench.database, bench.blobs, bytes([number]) * 9).job_id) for number in range(count)]


def claimed(bench: Bench, job_id: str) -> jobs.Claim:
    held = jobs.claim(bench.database, job_id, "one/1", lease_s=30, max_attempts=3)
    assert held is not None
    return held


def test_a_queue_is_well_until_it_is_nearly_full_and_broken_when_it_is(bench: Bench) -> None:
    a_worker_reports(bench)
    assert "no take waits" in [finding.what for finding in of_the_queue(bench)]
    come(bench, 3)
    assert amiss(of_the_queue(bench)) == []
    come(bench, 1)
    assert amiss(of_the_queue(bench)) == [("caution", "queue")]
    come(bench, 1)
    full = of_the_queue(bench)
    assert amiss(full) == [("BROKEN", "queue")]
    assert full[0].what.startswith("5 takes wait, the oldest for ")


def test_takes_that_wait_for_no_worker_are_spoken_of(bench: Bench) -> None:
    come(bench, 1)
    assert amiss(of_the_queue(bench)) == [("caution", "queue")]
    assert "coilbench-server worker" in of_the_queue(bench)[0].do


def test_failures_are_told_with_their_reasons_until_the_takes_are_asked_for_again(bench: Bench) -> None:
    a_worker_reports(bench)
    one, other, third = (claimed(bench, job_id) for job_id in come(bench, 3))
    assert jobs.fail(bench.database, one, problems.measuring_failed(one.job_id, 1))
    assert jobs.fail(bench.database, other, problems.measuring_failed(other.job_id, 1))
    assert jobs.fail(bench.database, third, problems.took_too_long(third.job_id, 840))
    found = of_the_queue(bench)
    assert amiss(found) == [("BROKEN", "failures")]
    (failures,) = (finding for finding in found if finding.name == "failures")
    assert failures.what == "3 takes failed during the last day: measuring-failed 2 times, took-too-long 1 times"


def test_leases_that_nobody_extends_are_broken_beside_a_worker_that_should_see_to_them(bench: Bench) -> None:
    held = claimed(bench, come(bench, 1)[0])
    lease_s = bench.configuration.lease_s
    assert amiss(of_the_queue(bench)) == []
    with bench.database.write() as connection:
        ended = now() - timedelta(seconds=lease_s + 5)
        connection.execute(update(job_table).where(job_table.c.id == held.job_id).values(lease_until=ended))
    assert amiss(of_the_queue(bench)) == [("caution", "leases")]
    a_worker_reports(bench)
    assert amiss(of_the_queue(bench)) == [("BROKEN", "leases")]


def test_keys_that_are_needed_and_not_there_are_broken_and_those_that_end_soon_are_told(bench: Bench) -> None:
    assert amiss(of_keys(bench)) == []
    assert "not needed" in of_keys(bench)[0].what
    open_to_others = {"listen": "0.0.0.0:8080"}
    assert amiss(of_keys(bench, **open_to_others)) == [("BROKEN", "keys")]
    assert amiss(of_keys(bench, keys="always")) == [("BROKEN", "keys")]
    named = {"secret_sha256": "0" * 64, "scopes": ["read"]}
    with bench.database.write() as connection:
        keys.enter(connection, "aa", name="past", expires=now() - timedelta(days=1), **named)
    assert amiss(of_keys(bench, **open_to_others)) == [("BROKEN", "keys")]
    with bench.database.write() as connection:
        keys.enter(connection, "bb", name="soon", expires=now() + timedelta(days=13), **named)
        keys.enter(connection, "cc", name="later", expires=now() + timedelta(days=15), **named)
    found = of_keys(bench, **open_to_others)
    assert amiss(found) == [("caution", "keys")]
    assert found[0].what.endswith("2 open it")
    assert "bb (soon) ends on" in found[1].what


def test_a_clock_that_differs_from_the_databases_is_told_with_its_direction(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = instants.now
    assert amiss(clocks.findings(bench.database)) == []
    for seconds, word in ((600, "ahead of"), (-600, "behind")):
        monkeypatch.setattr(instants, "now", lambda by=seconds: real() + timedelta(seconds=by))
        found = list(clocks.findings(bench.database))
        if bench.database.sqlite:
            assert found == []
        else:
            assert amiss(found) == [("caution", "clock")]
            assert re.fullmatch(rf"this host is (599|600)\.\d s {word} the database", found[0].what)


def test_room_for_less_than_one_recording_is_broken(tmp_path: Path) -> None:
    assert amiss(machine.findings(Configuration(data=tmp_path / "not" / "there", max_upload_bytes=1024))) == []
    assert not (tmp_path / "not").exists()
    found = amiss(machine.findings(Configuration(data=tmp_path, max_upload_bytes=10**18)))
    assert found == [("BROKEN", "disk of the data"), ("BROKEN", "disk of temporary files")]


def test_few_open_files_are_told_with_how_many_connections_that_is(tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (328, hard))
    try:
        found = list(machine.findings(Configuration(data=tmp_path, max_upload_bytes=1024)))
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert amiss(found) == [("caution", "open files")]
    assert found[-1].what == "enough for 100 connections at a time"


@pytest.mark.xdist_group("redis")
def test_a_broker_that_forgets_at_a_restart_or_when_full_is_told(tmp_path: Path, redis_url: str) -> None:
    configuration = Configuration(data=tmp_path, broker_url=redis_url)
    with redis.Redis.from_url(redis_url) as client:
        before = {name: client.config_get(name)[name] for name in ("appendonly", "maxmemory-policy")}
        try:
            client.config_set("appendonly", "no")
            client.config_set("maxmemory-policy", "allkeys-lru")
            found = list(broker.findings(configuration))
            assert amiss(found) == [("caution", "broker's settings")] * 2
            assert "allkeys-lru" in found[1].what
            client.config_set("appendonly", "yes")
            client.config_set("maxmemory-policy", "noeviction")
            assert amiss(broker.findings(configuration)) == []
        finally:
            for name, value in before.items():
                client.config_set(name, value)
    assert list(broker.findings(Configuration(data=tmp_path))) == []


REDIS = "redis://127.0.0.1:6379/0"
CONTRADICTIONS: list[tuple[dict[str, Any], str, str]] = [
    ({"redispatch_every_s": 10.0}, "BROKEN", "REDISPATCH_EVERY_S"),
    ({"lease_s": 120.0, "hard_limit_s": 60.0, "soft_limit_s": 50.0}, "caution", "LEASE_S"),
    ({"metrics_listen": "127.0.0.1:9100"}, "caution", "METRICS_LISTEN"),
    ({"metrics_listen": "127.0.0.1:8080", "broker_url": REDIS}, "BROKEN", "METRICS_LISTEN"),
    ({"metrics_listen": "0.0.0.0:9100", "broker_url": REDIS}, "caution", "METRICS_LISTEN"),
    ({"blob_url": "s3://takes", "blob_access_key": "a"}, "BROKEN", "BLOB_SECRET_KEY"),
    ({"blob_endpoint": "http://127.0.0.1:8333"}, "caution", "BLOB_URL"),
    ({"database_password": "hush"}, "caution", "DATABASE_PASSWORD"),
    ({"broker_password": "hush"}, "caution", "BROKER_PASSWORD"),
]


@pytest.mark.parametrize(("settings", "level", "named"), CONTRADICTIONS, ids=lambda value: str(value)[:40])
def test_settings_that_contradict_each_other_are_told(
    tmp_path: Path, settings: dict[str, Any], level: str, named: str
) -> None:
    (finding,) = contradictions.findings(Configuration(data=tmp_path, **settings))
    assert amiss([finding]) == [(level, "settings")]
    assert f"COILBENCH_{named}" in finding.what
    assert "hush" not in str(finding)


def test_a_broker_on_another_host_and_stores_on_this_one_are_told(tmp_path: Path) -> None:
    found = list(contradictions.findings(Configuration(data=tmp_path, broker_url="redis://broker.example:6379/0")))
    assert amiss(found) == [("caution", "settings")] * 2
    assert ["DATABASE_URL" in found[0].do, "BLOB_URL" in found[1].do] == [True, True]


def test_the_defaults_and_what_compose_sets_contradict_nothing(tmp_path: Path) -> None:
    assert list(contradictions.findings(Configuration(data=tmp_path))) == []
    composed = Configuration(
        data=tmp_path,
        broker_url="redis://broker:6379/0",
        database_url="postgresql://coilbench@database/coilbench",
        database_password="hush",
        blob_url="s3://takes",
        blob_endpoint="http://store:8333",
        blob_access_key="a",
        blob_secret_key="b",
    )
    assert list(contradictions.findings(composed)) == []
