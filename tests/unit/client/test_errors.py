"""Errors: every refusal is an exception of its kind that carries the problem."""

from __future__ import annotations

import inspect

import pytest

import coilbench
from coilbench import Client, Patience, errors
from unit.client.contract_service import ContractService

BY_STATUS = [
    (400, coilbench.BadRequest),
    (401, coilbench.NotPermitted),
    (403, coilbench.NotPermitted),
    (404, coilbench.NotFound),
    (409, coilbench.Conflict),
    (410, coilbench.NotFound),
    (413, coilbench.TooLarge),
    (415, coilbench.NotARecording),
    (418, coilbench.Refused),
    (422, coilbench.Unprocessable),
    (429, coilbench.Busy),
    (500, coilbench.ServiceFault),
    (502, coilbench.ServiceFault),
]


@pytest.mark.parametrize(("status", "kind"), BY_STATUS)
def test_a_status_has_its_error(service: ContractService, status: int, kind: type[coilbench.Refused]) -> None:
    service.fail("GET", "/v1/takes", status, body={"type": "/problems/some-kind", "title": "No", "status": status})
    with Client(service.url, retries=0) as client, pytest.raises(coilbench.Refused) as caught:
        list(client.takes())
    assert type(caught.value) is kind
    assert caught.value.problem.slug == "some-kind"


def test_the_message_tells_detail_fields_and_advice(bench: Client, service: ContractService) -> None:
    problem = {
        "type": "/problems/invalid-about",
        "title": "The description can't be used",
        "status": 422,
        "detail": "battery_v is 12000",
        "advice": "Give volts.",
        "errors": [{"field": "about.battery_v", "message": "at most 1000"}],
    }
    service.fail("PATCH", "/v1/takes", 422, body=problem)
    with pytest.raises(coilbench.Unprocessable) as caught:
        bench.describe("t1", battery_v=12000)
    assert str(caught.value) == "battery_v is 12000. about.battery_v: at most 1000. Give volts."
    assert caught.value.problem.errors == (coilbench.FieldError("about.battery_v", "at most 1000"),)
    assert caught.value.problem.document() == problem


def test_a_refusal_that_is_no_problem_document_still_has_its_status(bench: Client, service: ContractService) -> None:
    service.fail("GET", "/v1/takes", 502, body=b"<html>gateway</html>", Content_Type="text/html")
    with pytest.raises(coilbench.ServiceFault, match="502 Bad Gateway"):
        list(bench.takes())


def test_another_kind_of_server_is_recognised(bench: Client, service: ContractService) -> None:
    service.fail("GET", "/v1/takes", 200, body=b"<html>hello</html>", Content_Type="text/html")
    with pytest.raises(coilbench.UnreadableAnswer, match=r"JSON \(text/html\).*address"):
        list(bench.takes())
    service.fail("GET", "/v1/takes", 200, body={"hello": 1})
    with pytest.raises(coilbench.UnreadableAnswer, match="list without items"):
        list(bench.takes())
    service.fail("GET", "/v1/takes/t1", 200, body={"hello": 1})
    with pytest.raises(coilbench.UnreadableAnswer, match="not a take"):
        bench.take("t1")


def test_a_moved_service_names_its_new_address(bench: Client, service: ContractService) -> None:
    service.fail("DELETE", "/v1/takes", 301, Location="https://bench.invalid/v1/takes/t1")
    with pytest.raises(coilbench.Refused, match=r"https://bench.invalid/v1/takes/t1 now. Give that address"):
        bench.delete("t1")


@pytest.mark.parametrize("url", ["bench", "ftp://bench", "http://", "127.0.0.1:8080"])
def test_an_address_that_is_none_is_refused_before_any_request(url: str) -> None:
    with pytest.raises(coilbench.BadAddress, match="looks like http://"):
        Client(url)


def test_an_unknown_host_is_named() -> None:
    client = Client("http://bench.invalid", retries=Patience(pause=lambda s: None))
    with client, pytest.raises(coilbench.NotReachable, match=r"http://bench.invalid \(no such host\)"):
        client.take("t1")


def test_every_error_is_in_the_drawing_and_is_exported() -> None:
    kinds = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, errors.CoilbenchError)]
    drawing = errors.__doc__ or ""
    for kind in kinds:
        assert f" {kind.__name__} " in f"{drawing} ".replace("\n", " ")
        assert getattr(coilbench, kind.__name__) is kind


def test_the_key_goes_as_a_bearer_and_the_environment_gives_address_and_key(
    service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COILBENCH_URL", f"{service.url}/")
    monkeypatch.setenv("COILBENCH_KEY", "secret")
    with Client() as client:
        list(client.takes())
    assert service.seen[-1].headers["Authorization"] == "Bearer secret"
    monkeypatch.delenv("COILBENCH_KEY")
    with Client() as client:
        list(client.takes())
    assert "Authorization" not in service.seen[-1].headers


def test_a_field_that_the_detail_tells_already_is_not_told_twice() -> None:
    problem = coilbench.Problem("t", "No", 422, "about.channel: must be 1 or more", "", (
        coilbench.FieldError("about.channel", "must be 1 or more"),
    ))  # fmt: skip
    assert problem.sentence() == "about.channel: must be 1 or more."


@pytest.mark.parametrize("key", ["", ".", ".."])
def test_a_key_that_no_address_holds_asks_for_nothing_else(bench: Client, key: str) -> None:
    with pytest.raises(coilbench.BadAddress, match="no key or id can be empty"):
        bench.session(key)
