"""The line of each request: who asked for what, under which id; nothing secret."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from pathlib import Path
from typing import Any

import pytest
import structlog
from structlog.testing import capture_logs

from coilbench_service import access_key
from http_recordings import strums_wav
from http_service import Service
from http_service import service as running_service
from keyholders import key_made, shown

Lines = list[MutableMapping[str, Any]]


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path) as made:
        yield made


@pytest.fixture
def lines() -> Iterator[Lines]:
    """What is logged, with what is bound to it."""
    with capture_logs(processors=[structlog.contextvars.merge_contextvars]) as caught:
        yield caught


def requests_of(lines: Lines) -> Lines:
    return [line for line in lines if line["event"] == "request"]


def test_a_sent_take_and_its_job_are_named_and_nothing_stays_for_the_next_request(
    service: Service, lines: Lines
) -> None:
    take = service.sent(strums_wav())
    service.client.get("/healthz")
    sent, next_one = requests_of(lines)
    assert (sent["take"], sent["status"], sent["client"]) == (take["id"], 202, "127.0.0.1")
    assert sent["job"]
    assert sent["received_bytes"] > len(strums_wav())
    assert {"take", "job", "key"}.isdisjoint(next_one)
    assert next_one["request_id"] != sent["request_id"]


def test_a_take_is_named_by_the_address_and_one_that_could_be_none_is_not(service: Service, lines: Lines) -> None:
    service.client.get("/v1/takes/some-take/audio")
    service.client.get("/v1/takes/" + "x" * 65)
    first, second = requests_of(lines)
    assert first["take"] == "some-take"
    assert "take" not in second


def test_what_stands_in_the_query_or_in_headers_is_not_logged(service: Service, lines: Lines) -> None:
    headers = {"Authorization": "Bearer hush", "Cookie": "hush", "Idempotency-Key": "hush"}
    service.client.get("/v1/takes?session=hush", headers=headers)
    assert requests_of(lines)
    assert "hush" not in str(lines)


def test_measuring_again_names_the_new_job_and_the_worker_has_the_id_of_that_request(
    service: Service, lines: Lines
) -> None:
    take = service.measured(strums_wav())
    settings = {"settings": {"level_window_s": [0, 0.3]}}
    service.client.post(take["links"]["measurement"], json=settings, headers={"X-Request-Id": "again-1"})
    service.work()
    of_again = [line for line in lines if line.get("request_id") == "again-1"]
    assert [line["event"] for line in of_again] == ["request", "measuring", "done"]
    assert len({line["job"] for line in of_again}) == 1
    assert {line["take"] for line in of_again} == {take["id"]}


def test_with_keys_the_id_of_the_key_is_named_and_its_secret_never(tmp_path: Path, lines: Lines) -> None:
    with running_service(tmp_path / "guarded", keys="always") as guarded:
        text = key_made(guarded, "read")
        guarded.client.get("/v1/takes", headers=shown(text))
        guarded.client.get("/v1/takes", headers=shown(text[:-1] + ("a" if text[-1] != "a" else "b")))
        guarded.client.get("/v1/takes")
    key = access_key.parse(text)
    assert key is not None
    good, wrong, without = requests_of(lines)
    assert (good["status"], good["key"]) == (200, key.id)
    assert (wrong["status"], without["status"]) == (401, 401)
    assert "key" not in without
    assert key.secret not in str(lines)
    assert key.secret[:-1] not in str(lines)
