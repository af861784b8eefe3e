"""/v1/keys: keys are made, listed, changed and revoked by those who may; secrets are shown once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from coilbench_service import access_key
from http_service import assert_problem
from keyed import Keyed, keyed_service


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyed]:
    """A service that wants keys; each test makes those that it spoils."""
    with keyed_service(tmp_path_factory.mktemp("keyed")) as made:
        yield made


def make(keyed: Keyed, **asked: Any) -> dict[str, Any]:
    """A key made over HTTP."""
    answer = keyed.ask("POST", "/v1/keys", "admin", json={"name": "desk", "scopes": ["read"], **asked})
    assert answer.status_code == 201, answer.text
    document: dict[str, Any] = answer.json
    return document


def test_a_key_is_shown_whole_once_and_works(keyed: Keyed) -> None:
    answer = keyed.ask("POST", "/v1/keys", "admin", json={"name": "the bench's screen", "scopes": ["write", "read"]})
    assert (answer.status_code, answer.headers["Cache-Control"]) == (201, "no-store")
    made = answer.json
    key = access_key.parse(made["key"])
    assert key is not None
    assert answer.headers["Location"] == made["links"]["self"] == f"/v1/keys/{key.id}"
    assert made["scopes"] == ["read", "write"]
    assert (made["expires"], made["last_used"]) == (None, None)
    assert keyed.ask("GET", "/v1/takes", key).status_code == 200
    shown = keyed.ask("GET", made["links"]["self"], "admin")
    listed = keyed.ask("GET", "/v1/keys?limit=500", "admin")
    for text in (shown.text, listed.text):
        assert key.secret not in text
        assert access_key.sha256(key.secret) not in text
    assert shown.json in listed.json["items"]
    used = datetime.fromisoformat(shown.json["last_used"])
    assert timedelta(0) <= datetime.now(UTC) - used < timedelta(minutes=1)


def test_pages_of_keys_lead_to_each_other(keyed: Keyed) -> None:
    for _ in range(3):
        make(keyed)
    seen, address = [], "/v1/keys?limit=2"
    while address:
        answer = keyed.ask("GET", address, "admin")
        seen += [item["id"] for item in answer.json["items"]]
        address = answer.headers.get("Link", "").partition(">")[0].removeprefix("<")
    assert seen == [item["id"] for item in keyed.ask("GET", "/v1/keys?limit=500", "admin").json["items"]]
    assert len(seen) == len(set(seen)) >= 6


def test_days_and_limits_are_kept(keyed: Keyed) -> None:
    made = make(keyed, days=90, requests_per_minute=30, upload_bytes_per_day=1 << 20)
    assert (made["requests_per_minute"], made["upload_bytes_per_day"]) == (30, 1 << 20)
    left = datetime.fromisoformat(made["expires"]) - datetime.fromisoformat(made["created"])
    assert abs(left - timedelta(days=90)) < timedelta(minutes=1)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"name": ""}, "name"),
        ({"name": "a\nb"}, "name"),
        ({"scopes": []}, "scopes"),
        ({"scopes": ["root"]}, "scopes.0"),
        ({"scopes": "read"}, "scopes"),
        ({"expires": "2020-01-01T00:00:00Z"}, "expires"),
        ({"expires": "9999-12-31T23:59:59-12:00"}, "expires"),
        ({"expires": "2031-01-01T00:00:00"}, "expires"),
        ({"expires": 4102444800}, "expires"),
        ({"expires": "4102444800"}, "expires"),
        ({"days": 0}, "days"),
        ({"days": 1, "expires": "2026-12-31T00:00:00Z"}, None),
        ({"requests_per_minute": 0}, "requests_per_minute"),
        ({"upload_bytes_per_day": 1e300}, "upload_bytes_per_day"),
        ({"secret": "mine"}, "secret"),
        ({"id": "0" * 16}, "id"),
    ],
)
def test_what_makes_no_key_is_refused_with_the_field_at_fault(
    keyed: Keyed, asked: dict[str, Any], field: str | None
) -> None:
    answer = keyed.ask("POST", "/v1/keys", "admin", json={"name": "desk", "scopes": ["read"], **asked})
    errors = assert_problem(answer, 422, "invalid-request")["errors"]
    assert field is None or field in [error["field"] for error in errors]


def test_an_answer_that_can_t_be_kept_is_not_promised_again(keyed: Keyed) -> None:
    headers = {"Idempotency-Key": "a"}
    answer = keyed.ask("POST", "/v1/keys", "admin", json={"name": "a", "scopes": ["read"]}, headers=headers)
    assert_problem(answer, 422, "invalid-request")


def test_name_limits_and_end_change_and_nothing_else_does(keyed: Keyed) -> None:
    made = make(keyed, days=5, requests_per_minute=5)
    address = made["links"]["self"]
    changed = keyed.ask("PATCH", address, "admin", json={"name": "attic", "requests_per_minute": None, "expires": None})
    assert changed.json == {
        **{name: value for name, value in made.items() if name != "key"},
        "name": "attic",
        "requests_per_minute": None,
        "expires": None,
    }
    assert keyed.ask("PATCH", address, "admin", json={"name": None}).json["name"] == "attic"
    assert keyed.ask("PATCH", address, "admin", json={}).json == changed.json
    for other in ({"scopes": ["admin"]}, {"revoked": None}, {"id": "0" * 16}):
        assert_problem(keyed.ask("PATCH", address, "admin", json=other), 422, "invalid-request")


def test_a_revoked_key_stays_in_the_list_and_opens_nothing(keyed: Keyed) -> None:
    made = make(keyed)
    key = access_key.parse(made["key"])
    assert keyed.ask("GET", "/v1/takes", key).status_code == 200
    assert keyed.ask("DELETE", made["links"]["self"], "admin").status_code == 204
    assert_problem(keyed.ask("GET", "/v1/takes", key), 401, "key-unknown")
    shown = keyed.ask("GET", made["links"]["self"], "admin").json
    assert shown["revoked"] is not None
    assert shown["last_used"] is not None
    assert keyed.ask("DELETE", made["links"]["self"], "admin").status_code == 204
    assert keyed.ask("GET", made["links"]["self"], "admin").json["revoked"] == shown["revoked"]


@pytest.mark.parametrize("id", ["0" * 16, "nobody", "A" * 16, "x" * 500])
def test_an_id_that_no_key_has_is_said_to_be_one(keyed: Keyed, id: str) -> None:
    for method, options in (("GET", {}), ("DELETE", {}), ("PATCH", {"json": {}})):
        assert_problem(keyed.ask(method, f"/v1/keys/{id}", "admin", **options), 404, "no-such-key")


def test_a_whole_key_sent_as_an_id_is_not_said_back(keyed: Keyed) -> None:
    text = keyed.keys["read"].text
    body = assert_problem(keyed.ask("GET", f"/v1/keys/{text}", "admin"), 404, "no-such-key")
    assert keyed.keys["read"].secret not in str(body)


def test_the_last_admin_is_not_revoked_over_http(keyed: Keyed) -> None:
    other = make(keyed, scopes=["admin"])
    assert keyed.ask("DELETE", other["links"]["self"], "admin").status_code == 204
    own = f"/v1/keys/{keyed.keys['admin'].id}"
    body = assert_problem(keyed.ask("DELETE", own, "admin"), 409, "last-admin-key")
    assert "coilbench-server key" in body["advice"]
    assert_problem(keyed.ask("PATCH", own, "admin", json={"expires": _tomorrow()}), 409, "last-admin-key")
    assert keyed.ask("GET", own, "admin").json["revoked"] is None


def _tomorrow() -> str:
    return (datetime.now(UTC) + timedelta(days=1)).isoformat()
