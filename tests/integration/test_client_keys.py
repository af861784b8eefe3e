"""The client and the command at a service that wants keys: what they say, and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

import coilbench
from coilbench import Client
from coilbench.command.findings import said
from http_service import Service
from keyed import Keyed
from served import Command, served_service


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """A service that wants keys, and its address."""
    with served_service(tmp_path_factory.mktemp("keyed"), keys="always") as running:
        yield running


@pytest.fixture(scope="module")
def keyed(served: tuple[Service, str]) -> Keyed:
    """Its keys."""
    return Keyed(served[0])


@pytest.mark.parametrize(
    ("key", "words"),
    [
        (None, ["came without an access key", "COILBENCH_KEY", "coilbench-server key make"]),
        ("coil_0123456789abcdef_" + "s" * 43, ["no such access key", "COILBENCH_KEY"]),
    ],
)
def test_the_command_says_what_to_do_without_a_good_key(
    command: Command, monkeypatch: pytest.MonkeyPatch, key: str | None, words: list[str]
) -> None:
    monkeypatch.delenv("COILBENCH_KEY", raising=False)
    status, out, err = command(*(["--key", key] if key else []), "words")
    assert (status, out) == (1, "")
    for word in words:
        assert word in err
    assert "s" * 43 not in err


def test_the_command_says_which_scope_is_missing(
    command: Command, keyed: Keyed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COILBENCH_KEY", keyed.keys["read"].text)
    assert command("words")[0] == 0
    status, _, err = command("chain", "add", "desk")
    assert status == 1
    assert "needs a key with the scope write" in err
    assert "`coilbench-server key make NAME --scope write`" in err


def test_a_script_learns_by_the_kind_of_error(served: tuple[Service, str], keyed: Keyed) -> None:
    with Client(served[1], keyed.keys["read"].text, retries=0) as bench:
        assert list(bench.takes()) == []
        with pytest.raises(coilbench.NotPermitted) as caught:
            bench.delete("018f0000-0000-7000-8000-000000000000")
    assert (caught.value.problem.status, caught.value.scope) == (403, "write")
    with Client(served[1], "", retries=0) as bench, pytest.raises(coilbench.NotPermitted) as caught:
        list(bench.takes())
    assert caught.value.problem.status == 401


def test_a_key_that_is_used_up_for_the_minute_is_busy_with_the_time_to_come_back(
    served: tuple[Service, str], keyed: Keyed
) -> None:
    key = keyed.made("read", requests_per_minute=1)
    with Client(served[1], key.text, retries=0) as bench:
        list(bench.takes())
        with pytest.raises(coilbench.Busy, match="requests in a minute") as caught:
            list(bench.takes())
    assert "Retry-After" in caught.value.problem.advice
    assert said(caught.value)[-1] == "Go on in a minute; whoever runs the service can raise the limit of a key."


def test_the_command_speaks_of_no_header(served: tuple[Service, str], keyed: Keyed) -> None:
    with Client(served[1], keyed.keys["read"].text, retries=0) as bench, pytest.raises(coilbench.NotFound) as caught:
        bench.take("018f0000-0000-7000-8000-000000000000")
    advice = "Ask again after the seconds in Retry-After."
    busy = replace(caught.value.problem, type="/problems/too-many-charts", advice=advice)
    assert said(coilbench.Busy(busy))[-1] == "Ask again in a moment."
