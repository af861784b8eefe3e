"""The access key: sent with every request to the service, and to nobody else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import coilbench
from coilbench import Client
from unit.client.contract_service import ContractService, contract_service

KEY = "coil_0123456789abcdef_" + "s" * 43


@pytest.fixture
def elsewhere() -> Iterator[ContractService]:
    """Another service, at another port."""
    with contract_service() as running:
        yield running


def sent(service: ContractService) -> list[str | None]:
    """What the requests that came had as Authorization."""
    return [{name.lower(): text for name, text in seen.headers.items()}.get("authorization") for seen in service.seen]


def test_the_key_goes_with_every_request(service: ContractService, recordings: Path) -> None:
    with Client(service.url, KEY) as bench:
        bench.send(recordings)
        list(bench.takes())
    assert len(service.seen) > 3
    assert set(sent(service)) == {f"Bearer {KEY}"}
    assert not any(KEY in f"{seen.path}{seen.query}" for seen in service.seen)


def test_the_key_of_the_environment_is_taken_where_none_is_given(
    service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COILBENCH_KEY", KEY)
    with Client(service.url) as bench:
        list(bench.takes())
    assert sent(service) == [f"Bearer {KEY}"]


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_the_key_does_not_follow_a_redirect_to_another_service(
    service: ContractService, elsewhere: ContractService, status: int
) -> None:
    service.fail("GET", "/v1/takes", status, Location=f"{elsewhere.url}/v1/takes")
    with Client(service.url, KEY, retries=0) as bench:
        list(bench.takes())
    assert sent(service) == [f"Bearer {KEY}"]
    assert sent(elsewhere) == [None]


def test_the_key_does_not_go_to_where_a_list_says_its_next_page_is(
    service: ContractService, elsewhere: ContractService
) -> None:
    page = b'{"items": [], "next": "0"}'
    service.fail("GET", "/v1/takes", 200, Link=f'<{elsewhere.url}/v1/takes?cursor=0>; rel="next"')
    service.faults[-1].body = page
    with Client(service.url, KEY, retries=0) as bench:
        list(bench.takes())
    assert elsewhere.seen == []
    assert len(service.seen) == 2


def test_a_change_is_not_sent_on_to_another_service(service: ContractService, elsewhere: ContractService) -> None:
    service.fail("DELETE", "/v1/takes/a", 307, Location=f"{elsewhere.url}/v1/takes/a")
    with Client(service.url, KEY, retries=0) as bench, pytest.raises(coilbench.Refused, match="is at"):
        bench.delete("a")
    assert elsewhere.seen == []


def test_a_refused_key_is_an_error_of_its_own_and_is_not_tried_again(bench: Client, service: ContractService) -> None:
    unknown = {"type": "/problems/key-unknown", "title": "The access key opens nothing here", "status": 401}
    service.fail("GET", "/v1/takes", 401, body={**unknown, "detail": "The key was revoked.", "advice": "Ask for one."})
    with pytest.raises(coilbench.NotPermitted, match=r"revoked\. Ask for one") as caught:
        list(bench.takes())
    assert caught.value.scope is None
    lacking = {"type": "/problems/scope-missing", "title": "x", "status": 403, "detail": "d", "scope": "write"}
    service.fail("DELETE", "/v1/takes/a", 403, body=lacking)
    with pytest.raises(coilbench.NotPermitted) as caught:
        bench.delete("a")
    assert caught.value.scope == "write"
    assert len(service.seen) == 2


def test_neither_errors_nor_the_client_show_the_key(service: ContractService) -> None:
    service.fail("GET", "/v1/takes", 401, body={"title": "no", "status": 401})
    with Client(service.url, KEY, retries=0) as bench, pytest.raises(coilbench.NotPermitted) as caught:
        list(bench.takes())
    assert KEY not in f"{caught.value!r} {bench!r} {vars(caught.value)}"
