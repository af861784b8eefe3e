"""Signing in with a browser: a key shown once, a cookie afterwards, and nothing that another site's page could use."""

from __future__ import annotations

import hashlib
import re
import uuid
from collections.abc import Iterator
from datetime import timedelta
from http.cookies import SimpleCookie
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from coilbench_service import sign_in
from coilbench_service.page.sign_in import local
from coilbench_worker.store import schema, sign_ins
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from http_service import Service, assert_problem
from http_service import service as running_service
from keyholders import key_made, revoked, shown

OURS = {"Sec-Fetch-Site": "same-origin"}
HTML = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service that wants keys; one for all, as each browser and each key is another."""
    with running_service(tmp_path_factory.mktemp("keyed"), keys="always") as made:
        yield made


def _signed_in(service: Service, key: str) -> FlaskClient:
    client = service.client
    assert client.post("/sign-in", data={"key": key}, headers=OURS).status_code == 303
    return client


def _cookie(answer: TestResponse) -> SimpleCookie:
    return SimpleCookie(answer.headers["Set-Cookie"])


def test_pages_lead_to_the_sign_in_and_back_and_the_api_says_401(keyed: Service) -> None:
    client = keyed.client
    answer = client.get("/takes/beside?take=a&take=b", headers=HTML)
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/sign-in?to=/takes/beside?take%3Da%26take%3Db"
    page = client.get(answer.headers["Location"], headers=HTML)
    target = re.search(r'name="to" value="([^"]*)"', page.text)
    assert target is not None
    assert target[1].replace("&amp;", "&") == "/takes/beside?take=a&take=b"
    there = client.post("/sign-in", data={"key": key_made(keyed), "to": "/sessions?limit=2"}, headers=OURS)
    assert (there.status_code, there.headers["Location"]) == (303, "/sessions?limit=2")
    assert_problem(keyed.client.get("/v1/takes", headers=HTML), 401, "key-missing")
    assert_problem(keyed.client.get("/", headers={"Accept": "application/json"}), 401, "key-missing")


def test_what_the_sign_in_page_needs_is_there_without_a_key_and_it_names_no_other_page(keyed: Service) -> None:
    page = keyed.client.get("/sign-in", headers=HTML)
    assert page.status_code == 200
    links = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text))
    assert links
    assert {keyed.client.get(link, buffered=True).status_code for link in links} == {200}
    assert "<nav" not in page.text
    assert "Signed in as" not in page.text


@pytest.mark.parametrize("secure", [False, True])
def test_the_cookie_is_for_this_service_alone_and_its_token_is_not_in_the_database(
    tmp_path: Path, secure: bool
) -> None:
    with running_service(tmp_path, trusted_proxies=1) as service:
        headers = OURS | ({"X-Forwarded-Proto": "https"} if secure else {})
        answer = service.client.post("/sign-in", data={"key": key_made(service)}, headers=headers)
        ((name, cookie),) = _cookie(answer).items()
        assert name == ("__Host-coilbench" if secure else "coilbench")
        assert (cookie["path"], cookie["samesite"], cookie["max-age"]) == ("/", "Strict", "43200")
        assert (bool(cookie["secure"]), cookie["httponly"], cookie["domain"]) == (secure, True, "")
        assert len(cookie.value) >= 43
        with service.bench.database.read() as connection:
            (row,) = connection.execute(select(schema.sign_ins))
        assert row.token_sha256 == hashlib.sha256(cookie.value.encode()).hexdigest()
        assert cookie.value not in str(row)


def test_two_sign_ins_with_one_key_get_tokens_of_their_own(keyed: Service) -> None:
    key = key_made(keyed)
    tokens = {sign_in.begin(keyed.bench.database, key) for _ in range(3)}
    assert None not in tokens
    assert len(tokens) == 3


def test_pages_and_api_work_with_the_cookie_and_say_who_is_signed_in(keyed: Service) -> None:
    client = _signed_in(keyed, key_made(keyed))
    page = client.get("/", headers=HTML)
    assert page.status_code == 200
    assert "Signed in as the write key" in page.text
    assert client.get("/v1/takes").json["items"] == []
    assert client.post("/v1/chains", json={"key": "cookie"}, headers=OURS).status_code == 201
    assert client.get("/nowhere", headers=HTML).status_code == 404


def test_who_shows_a_key_in_the_header_is_not_signed_in_by_it(keyed: Service) -> None:
    page = keyed.client.get("/", headers=HTML | shown(key_made(keyed)))
    assert page.status_code == 200
    assert "Signed in as" not in page.text
    assert "Set-Cookie" not in page.headers


BAD_KEYS = ["", "nonsense", f"coil_{'0' * 16}_{'A' * 43}", "ключ"]


@pytest.mark.parametrize("bad", BAD_KEYS)
def test_a_bad_key_signs_nobody_in_and_the_page_says_what_to_do(keyed: Service, bad: str) -> None:
    answer = keyed.client.post("/sign-in", data={"key": bad, "to": "/sessions"}, headers=OURS)
    assert answer.status_code == 401
    assert "WWW-Authenticate" in answer.headers
    assert "Set-Cookie" not in answer.headers
    assert "This key opens nothing here." in answer.text
    assert 'name="to" value="/sessions"' in answer.text
    assert bad not in answer.text or not bad


def test_a_key_whose_secret_is_wrong_or_that_ended_signs_nobody_in(keyed: Service) -> None:
    good = key_made(keyed)
    ended, late = key_made(keyed), key_made(keyed, ends_in=timedelta(seconds=-1))
    revoked(keyed, ended)
    wrong = good[:-4] + ("AAAA" if good[-4:] != "AAAA" else "BBBB")
    for key in (wrong, ended, late):
        assert sign_in.begin(keyed.bench.database, key) is None


def test_the_sign_in_ends_with_its_key(keyed: Service) -> None:
    key = key_made(keyed)
    client = _signed_in(keyed, key)
    assert client.get("/v1/takes").status_code == 200
    revoked(keyed, key)
    assert_problem(client.get("/v1/takes"), 401, "key-unknown")
    assert client.get("/", headers=HTML).headers["Location"] == "/sign-in"


def test_a_sign_in_ends_after_its_hours_and_its_row_goes(database: Database) -> None:
    instant = now()
    with database.write() as connection:
        connection.execute(
            schema.keys.insert().values(id="a" * 16, name="k", secret_sha256="0" * 64, scopes="read", created=instant)
        )
        sign_ins.enter(connection, "1" * 64, "a" * 16, instant + sign_in.LASTS)
        sign_ins.enter(connection, "2" * 64, "a" * 16, instant + 2 * sign_in.LASTS)
        just_before, then = instant + sign_in.LASTS - timedelta(seconds=1), instant + sign_in.LASTS
        assert sign_ins.key_of(connection, "1" * 64, just_before) == "a" * 16
        assert sign_ins.key_of(connection, "1" * 64, then) is None
        assert sign_ins.key_of(connection, "3" * 64, instant) is None
        assert sign_ins.forget_before(connection, then) == 1
        assert [row.token_sha256 for row in connection.execute(select(schema.sign_ins))] == ["2" * 64]
        connection.execute(schema.keys.delete())
        assert connection.execute(select(schema.sign_ins)).all() == []


def test_who_signs_out_is_out_though_the_cookie_were_kept(keyed: Service) -> None:
    client = _signed_in(keyed, key_made(keyed, "read"))
    kept = client.get_cookie("coilbench")
    assert kept is not None
    answer = client.post("/sign-out", headers=OURS)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
    assert client.get_cookie("coilbench") is None
    assert keyed.client.get("/v1/takes", headers={"Cookie": f"coilbench={kept.value}"}).status_code == 401


def test_a_sign_in_to_read_changes_nothing_and_is_told_why(keyed: Service) -> None:
    client = _signed_in(keyed, key_made(keyed, "read"))
    body = assert_problem(client.post("/v1/chains", json={"key": "desk"}, headers=OURS), 403, "scope-missing")
    assert "write" in body["detail"]
    assert client.post("/v1/comparisons", json={"baseline": "a", "others": ["b"]}, headers=OURS).status_code != 403


FORGED = [
    {},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "none"},
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Origin": "http://localhost:9999"},
    {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
]


@pytest.mark.parametrize("headers", FORGED)
def test_with_a_cookie_only_our_own_pages_change_things(keyed: Service, headers: dict[str, str]) -> None:
    client = _signed_in(keyed, key_made(keyed))
    for method, address in (("POST", "/v1/chains"), ("PUT", "/v1/words/warm"), ("DELETE", "/v1/takes/x")):
        answer = client.open(address, method=method, json={"key": "forged"}, headers=headers)
        assert_problem(answer, 403, "foreign-origin")
    assert client.get("/v1/chains/forged").status_code == 404


@pytest.mark.parametrize("headers", [OURS, {"Origin": "http://localhost"}, OURS | {"Origin": "http://localhost"}])
def test_with_a_cookie_our_own_pages_do_change_things(keyed: Service, headers: dict[str, str]) -> None:
    client = _signed_in(keyed, key_made(keyed))
    assert client.post("/v1/chains", json={"key": uuid.uuid4().hex}, headers=headers).status_code == 201


@pytest.mark.parametrize("headers", [{"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://evil.example"}])
def test_no_page_of_another_site_signs_anybody_in_or_out(keyed: Service, headers: dict[str, str]) -> None:
    answer = keyed.client.post("/sign-in", data={"key": key_made(keyed)}, headers=headers)
    assert answer.status_code == 403
    assert "Set-Cookie" not in answer.headers
    client = _signed_in(keyed, key_made(keyed))
    assert client.post("/sign-out", headers=headers).status_code == 403
    assert client.get("/v1/takes").status_code == 200


ELSEWHERE = [
    "//evil.example",
    "/\\evil.example",
    "https://evil.example/",
    "javascript:alert(1)",
    "/\t/evil.example",
    "/x\r\nSet-Cookie: a=b",
    "evil.example",
    "",
    "/" + "a" * 3000,
    "/a\\b",
]


@pytest.mark.parametrize("target", ELSEWHERE)
def test_nobody_is_led_elsewhere_by_signing_in(keyed: Service, target: str) -> None:
    assert local(target) == "/"
    answer = keyed.client.post("/sign-in", data={"key": key_made(keyed), "to": target}, headers=OURS)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


@pytest.mark.parametrize("target", ["/", "/sessions", "/pickups/a%20b", "/?state=measured&pickup=x", "/takes/a-b/c"])
def test_addresses_of_this_service_are_gone_to(target: str) -> None:
    assert local(target) == target


def test_where_no_key_is_needed_there_is_nothing_to_sign_in_to(service: Service) -> None:
    for method, address in (("GET", "/sign-in"), ("POST", "/sign-in"), ("POST", "/sign-out")):
        answer = service.client.open(address, method=method, headers=HTML)
        assert (answer.status_code, answer.headers["Location"]) == (303, "/")
        assert "Set-Cookie" not in answer.headers
    assert "Signed in as" not in service.client.get("/", headers=HTML).text


def test_names_of_keys_are_text_on_the_page(keyed: Service) -> None:
    key = key_made(keyed)
    with keyed.bench.database.write() as connection:
        id_ = key.split("_")[1]
        connection.execute(
            schema.keys.update().where(schema.keys.c.id == id_).values(name="<img src=x onerror=alert(1)>")
        )
    page = _signed_in(keyed, key).get("/", headers=HTML).text
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    assert "<img src=x" not in page
