"""/metrics over HTTP: what a whole life of takes leaves there, in a form that Prometheus reads, with bounded labels."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from prometheus_client import Metric
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import update

from coilbench_service import metrics as service_metrics
from coilbench_service import problem_kinds
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.metrics import DELIVERIES, STAGES, STORES
from coilbench_worker.store.schema import jobs
from coilbench_worker.store.states import FINAL_STATES, TAKE_STATES
from http_recordings import pcm16, strums, strums_wav
from http_service import Service
from http_service import service as running_service

UNITS = ("_seconds", "_bytes", "_ratio")


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    """The service, which looks at the database each time it is asked for its numbers."""
    monkeypatch.setattr(service_metrics, "AGREES_FOR_S", 0.0)
    with running_service(tmp_path / "data") as made:
        yield made


def families(service: Service) -> dict[str, Metric]:
    answer = service.client.get("/metrics")
    assert answer.mimetype == "text/plain"
    lines = [line for line in answer.text.splitlines() if not line.startswith("#")]
    series = [line.rpartition(" ")[0] for line in lines]
    assert len(series) == len(set(series)), "each series once"
    found = list(text_string_to_metric_families(answer.text))
    names = [family.name for family in found]
    assert len(names) == len(set(names)), "each family once"
    return {family.name: family for family in found}


def samples(service: Service) -> dict[str, float]:
    """Value of every series but those of buckets, as `name{label}`."""
    return {
        sample.name + "".join(f"{{{value}}}" for value in sample.labels.values()): sample.value
        for family in families(service).values()
        for sample in family.samples
        if "le" not in sample.labels
    }


def test_a_life_of_takes_is_told_by_stages_ends_and_reasons(service: Service) -> None:
    before = samples(service)
    service.measured(strums_wav())
    service.measured(pcm16(0 * strums()))
    service.sent(strums_wav(), "waits.wav")
    service.client.get("/v1/takes/no-such-take")
    after = samples(service)

    def grown(name: str) -> float:
        return after.get(name, 0.0) - before.get(name, 0.0)

    assert grown("coilbench_stage_seconds_count{receive}") == 3
    for stage in ("queue", "fetch"):
        assert grown(f"coilbench_stage_seconds_count{{{stage}}}") == 2, stage
    assert grown("coilbench_stage_seconds_count{measure}") == 2
    assert grown("coilbench_stage_seconds_count{write}") == 1
    assert grown("coilbench_stage_seconds_sum{measure}") > 0
    assert grown("coilbench_takes_ended_total{measured}") == 1
    assert grown("coilbench_takes_ended_total{rejected}") == 1
    assert grown("coilbench_takes_unmeasured_total{no-strums}") == 1
    assert grown("coilbench_problems_total{take-not-found}") == 1
    assert grown("coilbench_received_bytes_total") > 3 * len(strums_wav())
    assert after["coilbench_takes{waiting}"] == 1
    assert after["coilbench_database_answers"] == 1
    assert after["coilbench_database_connections{in_use}"] >= 0


def test_the_age_of_the_queue_is_that_of_the_take_that_waits_longest(service: Service) -> None:
    assert samples(service)["coilbench_queue_age_seconds"] == 0
    first, second = service.sent(strums_wav()), service.sent(strums_wav(), "other.wav")
    with service.bench.database.write() as connection:
        row = connection.execute(jobs.select().where(jobs.c.take_id == first["id"])).one()
        connection.execute(
            update(jobs).where(jobs.c.id == row.id).values(created=row.created - timedelta(seconds=1000))
        )
    assert 1000 <= samples(service)["coilbench_queue_age_seconds"] < 1100
    assert second["id"] != first["id"]


def test_labels_come_from_tables_of_ours_and_never_from_who_asks(service: Service) -> None:
    service.measured(strums_wav(), about={"pickup": "mill-bridge", "session": "own-words"})
    for path in ("/v1/takes/own-words", "/own-words/own-words", "/v1/takes?pickup=own-words", "/v1/own-words"):
        service.client.get(path, headers={"X-Request-Id": "own-words"})
    service.client.open("/own-words", method="OWN-WORDS")
    found = families(service)
    assert "own-words" not in service.client.get("/metrics").text.lower()
    routes = {rule.rule for rule in service.app.url_map.iter_rules()} | {"none"}
    problems = set(problem_kinds.BY_SLUG) | {check.code for check in CHECKS}
    bounded = {
        "route": routes,
        "stage": set(STAGES),
        "store": set(STORES),
        "outcome": set(DELIVERIES),
        "problem": problems,
        "state": {*TAKE_STATES, *FINAL_STATES, "in_use", "idle"},
    }
    for family in found.values():
        for sample in family.samples:
            for label, value in sample.labels.items():
                if label in bounded:
                    assert value in bounded[label], sample
                else:
                    assert label in ("method", "status", "le"), sample


def test_names_are_as_prometheus_has_them(service: Service) -> None:
    for family in families(service).values():
        assert re.fullmatch(r"coilbench_[a-z_]+", family.name)
        assert family.documentation.strip()
        if family.type == "histogram":
            assert family.name.endswith(UNITS)
        assert not re.search(r"_(ms|milliseconds|kb|mib|count|sum|bucket)$", family.name)
        for sample in family.samples:
            assert sample.name.endswith("_total") == (family.type == "counter")


def test_numbers_of_the_database_are_kept_for_a_moment_so_that_asking_often_costs_little(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service_metrics, "AGREES_FOR_S", 3600.0)
    with running_service(tmp_path / "kept") as service:
        assert samples(service)["coilbench_takes{waiting}"] == 0
        service.sent(strums_wav())
        assert samples(service)["coilbench_takes{waiting}"] == 0


def test_with_the_database_away_the_rest_is_told_all_the_same(service: Service) -> None:
    service.bench.database.close()
    Path(service.configuration.database.removeprefix("sqlite:///")).unlink()
    found = samples(service)
    assert found["coilbench_database_answers"] == 0
    assert "coilbench_takes{waiting}" not in found
    assert "coilbench_store_errors_total{database}" in found
