"""Retries: what is tried again, how long after, and what is not."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

import coilbench
from coilbench import Client, Patience
from coilbench.patience import asked_wait_s
from unit.client.contract_service import ContractService


@pytest.mark.parametrize("status", [429, 503])
def test_a_busy_service_is_asked_again_after_the_time_it_named(
    bench: Client, service: ContractService, waited: list[float], status: int
) -> None:
    service.fail("GET", "/v1/takes", status, Retry_After="7")
    assert list(bench.takes()) == []
    assert len(service.requests("GET")) == 2
    assert 7.0 <= waited[0] < 8.0


def test_waits_double_up_to_their_bound() -> None:
    patience = Patience(retries=6, first_wait_s=1.0, longest_wait_s=5.0, chance=lambda: 0.5)
    assert [patience.wait_s(retry) for retry in range(7)] == [1.0, 2.0, 4.0, 5.0, 5.0, 5.0, None]


def test_waits_are_scattered_between_half_and_one_and_a_half() -> None:
    assert Patience(first_wait_s=1.0, chance=lambda: 0.0).wait_s(0) == 0.5
    assert Patience(first_wait_s=1.0, chance=lambda: 1.0).wait_s(0) == 1.5


def test_a_date_to_come_back_is_understood() -> None:
    now = datetime(2030, 5, 17, 10, 0, 0, tzinfo=UTC)
    assert asked_wait_s("Fri, 17 May 2030 10:00:30 GMT", now=now) == 30.0  # form of RFC 9110, 10.2.3
    assert asked_wait_s("Fri, 17 May 2030 09:00:00 GMT", now=now) == 0.0
    assert asked_wait_s("120") == 120.0
    assert asked_wait_s("soon") is None
    assert asked_wait_s(None) is None


def test_a_wait_of_an_hour_is_not_waited_for(bench: Client, service: ContractService, waited: list[float]) -> None:
    service.fail("GET", "/v1/takes", 429, body={"title": "Too many requests", "status": 429}, Retry_After="3600")
    with pytest.raises(coilbench.Busy, match="Too many requests"):
        list(bench.takes())
    assert waited == []


def test_retries_end(bench: Client, service: ContractService, waited: list[float]) -> None:
    for _ in range(5):
        service.fail("GET", "/v1/takes", 503)
    with pytest.raises(coilbench.Busy) as caught:
        list(bench.takes())
    assert caught.value.problem.status == 503
    assert len(waited) == 4


def test_a_lost_connection_is_tried_again(bench: Client, service: ContractService, waited: list[float]) -> None:
    service.fail("GET", "/v1/takes", lose="before")
    assert list(bench.takes()) == []
    assert len(waited) == 1


def test_a_recording_goes_again_in_full_after_503(
    bench: Client, service: ContractService, waited: list[float], recordings: Path
) -> None:
    service.fail("POST", "/v1/takes", 503, Retry_After="2")
    assert bench.send(recordings / "a.wav")[0].outcome == "sent"
    first, second = service.posted()
    assert len(first.body) == len(second.body) > 5000
    assert len(service.takes) == 1


def test_a_sending_that_is_still_being_answered_is_asked_for_again(
    bench: Client, service: ContractService, recordings: Path
) -> None:
    problem = {"type": "/problems/idempotency-key-in-flight", "title": "Still being answered", "status": 409}
    service.fail("POST", "/v1/takes", 409, body=problem)
    assert bench.send(recordings / "a.wav")[0].outcome == "sent"


def test_a_post_without_a_key_is_never_repeated(bench: Client, service: ContractService, waited: list[float]) -> None:
    service.fail("POST", "/v1/anything", 503)
    with pytest.raises(coilbench.Busy):
        bench._transport.request("POST", "/v1/anything", document={})
    service.fail("POST", "/v1/anything", lose="after")
    with pytest.raises(coilbench.NotReachable):
        bench._transport.request("POST", "/v1/anything", document={})
    assert waited == []


def test_measuring_again_is_repeated_under_one_key(bench: Client, service: ContractService) -> None:
    take = service.add(b"sound", "a.wav", {}, "measured")
    service.fail("POST", "/v1/takes/", lose="after")
    assert bench.measure_again(take["id"], {"expected_strums": 3}).state == "waiting"
    first, second = service.requests("POST")
    assert first.headers["Idempotency-Key"] == second.headers["Idempotency-Key"]
    assert second.body == b'{"settings": {"expected_strums": 3}}'


@pytest.mark.parametrize("status", [400, 404, 409, 422, 500])
def test_other_refusals_are_not_repeated(
    bench: Client, service: ContractService, waited: list[float], status: int
) -> None:
    service.fail("GET", "/v1/takes", status)
    with pytest.raises(coilbench.Refused):
        list(bench.takes())
    assert waited == []
