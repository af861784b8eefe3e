"""Keys of repeated requests."""

from __future__ import annotations

import pytest
from flask import Request
from werkzeug.test import EnvironBuilder

from coilbench_service.idempotency import KeysInFlight, checked_key, fingerprint
from coilbench_service.problems import Problem


@pytest.mark.parametrize("key", ["", "a b", "x" * 201, "schlüssel", "a\tb"])
def test_a_key_that_makes_no_sense_is_refused(key: str) -> None:
    with pytest.raises(Problem, match="printable ASCII") as caught:
        checked_key(key)
    assert [error.field for error in caught.value.errors] == ["Idempotency-Key"]


@pytest.mark.parametrize("key", [None, "x", "8e03978e-40d5-43e8-bc93-6894a57f9324", '"quoted"', "x" * 200])
def test_a_key_is_taken_as_it_is(key: str | None) -> None:
    assert checked_key(key) == key


def test_a_key_can_be_held_once_at_a_time() -> None:
    keys = KeysInFlight()
    with keys.hold("a"), keys.hold("b"):
        with pytest.raises(Problem) as caught, keys.hold("a"):
            pass
        assert (caught.value.kind.slug, caught.value.kind.status) == ("idempotency-key-in-flight", 409)
    with keys.hold("a"):
        pass


def test_a_key_is_free_after_a_request_that_failed() -> None:
    keys = KeysInFlight()
    with pytest.raises(LookupError), keys.hold("a"):
        raise LookupError
    with keys.hold("a"):
        pass


def test_no_key_holds_nothing() -> None:
    keys = KeysInFlight()
    with keys.hold(None), keys.hold(None):
        pass


def test_a_fingerprint_tells_requests_apart_by_method_path_and_content() -> None:
    def call(method: str, path: str) -> Request:
        return Request(EnvironBuilder(method=method, path=path).get_environ())

    post = call("POST", "/v1/takes")
    prints = [
        fingerprint(post, ["sha", "a.wav", {"b": 1, "a": 2}]),
        fingerprint(post, ["sha", "b.wav", {"b": 1, "a": 2}]),
        fingerprint(post, ["sha", "a.wav", {"b": 1}]),
        fingerprint(call("POST", "/v1/other"), ["sha", "a.wav", {"b": 1, "a": 2}]),
        fingerprint(call("PUT", "/v1/takes"), ["sha", "a.wav", {"b": 1, "a": 2}]),
    ]
    assert len(set(prints)) == len(prints)
    assert fingerprint(post, ["sha", "a.wav", {"a": 2, "b": 1}]) == prints[0]
