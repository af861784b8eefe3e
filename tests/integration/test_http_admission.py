"""Who may ask for what: every route with no key, too little of one and enough; keys that ended; open on loopback."""

from __future__ import annotations

import hmac
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from coilbench_service import access_key
from coilbench_service.admission import keys_needed
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from http_service import Service, assert_problem
from http_service import service as running_service
from keyed import Keyed, bearing, keyed_service

OPEN = {
    ("/healthz", "GET"),
    ("/problems", "GET"),
    ("/problems/<slug>", "GET"),
    ("/static/<path:filename>", "GET"),
    ("/sign-in", "GET"),
    ("/sign-in", "POST"),
    ("/sign-out", "POST"),
}
QUESTIONS = {
    "/v1/comparisons",
    "/v1/comparisons/study",
    "/v1/comparisons/groups",
    "/v1/comparisons/specifications",
    "/v1/choices",
    "/v1/coils",
}
LOWER: dict[str, str | None] = {"read": None, "write": "read", "admin": "write"}


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyed]:
    """A service that wants keys; each test makes those that it spoils."""
    with keyed_service(tmp_path_factory.mktemp("keyed")) as made:
        yield made


@pytest.fixture(scope="module")
def unguarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service that listens on this machine only and wants no keys."""
    with running_service(tmp_path_factory.mktemp("unguarded")) as made:
        yield made


def expected(rule: str, method: str) -> str | None:
    """The scope that a route should need: said here once more, so that a route without a decision is found."""
    if (rule, method) in OPEN:
        return None
    if rule.startswith("/v1/keys"):
        return "admin"
    if rule.startswith("/v1/callbacks"):
        return "write" if method == "GET" else "admin"
    return "read" if method == "GET" or rule in QUESTIONS else "write"


def routes(service: Service) -> list[tuple[str, str, str]]:
    """Rule, method and an address for each route of the app."""
    where = service.app.url_map.bind("localhost")
    return [
        (rule.rule, method, where.build(rule.endpoint, dict.fromkeys(rule.arguments, "1"), method))
        for rule in service.app.url_map.iter_rules()
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})
    ]


def test_every_route_needs_the_scope_that_was_decided_on_and_is_shut_to_any_less(keyed: Keyed) -> None:
    every = routes(keyed.service)
    assert len(every) > 60
    assert {route for route in OPEN if route[0] != "/static/<path:filename>"} <= {route[:2] for route in every}
    for rule, method, address in every:
        needed = expected(rule, method)
        without = keyed.ask(method, address)
        if needed is None:
            assert without.status_code != 401 or rule == "/sign-in", rule
            continue
        assert_problem(without, 401, "key-missing")
        assert without.headers["WWW-Authenticate"] == 'Bearer realm="coilbench"'
        lower = LOWER[needed]
        if lower is not None:
            refused = keyed.ask(method, address, lower)
            assert assert_problem(refused, 403, "scope-missing")["scope"] == needed, rule
            wanted = f'Bearer realm="coilbench", error="insufficient_scope", scope="{needed}"'
            assert refused.headers["WWW-Authenticate"] == wanted


@pytest.mark.parametrize(
    ("method", "address", "scopes"),
    [
        ("GET", "/v1/takes", {"read", "write", "admin"}),
        ("HEAD", "/v1/takes", {"read", "write", "admin"}),
        ("OPTIONS", "/v1/takes", {"read", "write", "admin"}),
        ("GET", "/", {"read", "write", "admin"}),
        ("GET", "/metrics", {"read", "write", "admin"}),
        ("GET", "/v1/openapi.json", {"read", "write", "admin"}),
        ("GET", "/v1/docs", {"read", "write", "admin"}),
        ("POST", "/v1/coils", {"read", "write", "admin"}),
        ("PUT", "/v1/words/glassy", {"write", "admin"}),
        ("POST", "/v1/takes", {"write", "admin"}),
        ("DELETE", "/v1/chains/desk", {"write", "admin"}),
        ("GET", "/v1/keys", {"admin"}),
        ("DELETE", "/v1/keys/0000000000000000", {"admin"}),
    ],
)
def test_a_scope_includes_the_lower_ones_and_no_higher_one(
    keyed: Keyed, method: str, address: str, scopes: set[str]
) -> None:
    let_in = {scope for scope in LOWER if keyed.ask(method, address, scope).status_code not in (401, 403)}
    assert let_in == scopes


def test_what_no_route_takes_is_told_to_those_with_a_key_only(keyed: Keyed) -> None:
    for method, address in (("GET", "/nowhere"), ("DELETE", "/v1/quantities"), ("GET", "/v1/takes/")):
        assert_problem(keyed.ask(method, address), 401, "key-missing")
        assert keyed.ask(method, address, "read").status_code in (404, 405)


@pytest.mark.parametrize(
    "header",
    [
        "Bearer",
        "Bearer coil_0123456789abcdef",
        "Bearer " + "A" * 65,
        "Bearer coil_0123456789abcdef_" + "é" * 43,
        "Bearer coil_0123456789abcdef_" + "A" * 43,
    ],
)
def test_a_key_that_is_none_or_unknown_is_refused_in_the_words_of_the_standard(keyed: Keyed, header: str) -> None:
    answer = keyed.ask("GET", "/v1/takes", headers={"Authorization": header})
    body = assert_problem(answer, 401, "key-unknown")
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="coilbench", error="invalid_token"'
    assert header.removeprefix("Bearer ") not in str(body) or header == "Bearer"


def test_another_scheme_is_no_key(keyed: Keyed) -> None:
    answer = keyed.ask("GET", "/v1/takes", headers={"Authorization": "Basic YTpi"})
    assert_problem(answer, 401, "key-missing")


def test_the_name_of_the_scheme_is_read_in_any_case(keyed: Keyed) -> None:
    sent = {"Authorization": f"bearer  {keyed.keys['read'].text} "}
    assert keyed.ask("GET", "/v1/takes", headers=sent).status_code == 200


def test_a_key_in_the_address_is_none(keyed: Keyed) -> None:
    text = keyed.keys["admin"].text
    for name in ("key", "access_token", "token", "Authorization"):
        assert_problem(keyed.ask("GET", "/v1/takes", query_string={name: text}), 401, "key-missing")


def test_the_id_of_a_key_with_another_secret_opens_nothing_and_is_said_as_of_an_unknown_one(keyed: Keyed) -> None:
    known = access_key.AccessKey(keyed.keys["admin"].id, access_key.make().secret)
    unknown = access_key.make()
    bodies = [assert_problem(keyed.ask("GET", "/v1/takes", key), 401, "key-unknown") for key in (known, unknown)]
    assert bodies[0] == bodies[1]


def test_unknown_ids_take_the_same_constant_time_compare(keyed: Keyed, monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[int] = []

    def spy(one: str, other: str) -> bool:
        compared.append(len(one) + len(other))
        return hmac.compare_digest(one, other)

    monkeypatch.setattr(access_key, "hmac", type("Spied", (), {"compare_digest": staticmethod(spy)}))
    for key in (access_key.make(), access_key.AccessKey(keyed.keys["read"].id, access_key.make().secret)):
        keyed.ask("GET", "/v1/takes", key)
    keyed.ask("GET", "/v1/takes", "read")
    assert compared == [128, 128, 128]


def test_a_revoked_key_opens_nothing_from_the_next_request_on_whoever_revoked_it(keyed: Keyed) -> None:
    key = keyed.made("write")
    assert keyed.ask("GET", "/v1/takes", key).status_code == 200
    elsewhere = Database(keyed.service.configuration.database)  # as another process has it
    with elsewhere.write() as connection:
        keys.revoke(connection, key.id)
    elsewhere.close()
    body = assert_problem(keyed.ask("GET", "/v1/takes", key), 401, "key-unknown")
    assert "was revoked" in body["detail"]
    wrong = access_key.AccessKey(key.id, access_key.make().secret)
    assert "revoked" not in str(keyed.ask("GET", "/v1/takes", wrong).json), "only its owner is told"


def test_an_expired_key_opens_nothing_and_its_owner_is_told_why(keyed: Keyed) -> None:
    key = keyed.made("admin", expires=now() + timedelta(days=1))
    assert keyed.ask("GET", "/v1/takes", key).status_code == 200
    with keyed.service.bench.database.write() as connection:
        keys.change(connection, key.id, {"expires": now() - timedelta(seconds=1)})
    body = assert_problem(keyed.ask("GET", "/v1/takes", key), 401, "key-unknown")
    assert f"{key.id} expired 2" in body["detail"]


def test_the_last_use_is_noted_and_not_with_every_request(keyed: Keyed) -> None:
    key = keyed.made("read")

    def last_used():
        with keyed.service.bench.database.read() as connection:
            record = keys.get(connection, key.id)
        assert record is not None
        return record.last_used

    assert last_used() is None
    before = now()
    keyed.ask("GET", "/healthz", key)
    assert last_used() is None, "nobody looked at it"
    keyed.ask("DELETE", "/v1/words/x", key)
    first = last_used()
    assert before <= first <= now(), "refused for its scope, yet used"
    keyed.ask("GET", "/v1/takes", key)
    assert last_used() == first
    with keyed.service.bench.database.write() as connection:
        keys.change(connection, key.id, {"last_used": first - timedelta(minutes=2)})
    keyed.ask("GET", "/v1/takes", key)
    assert last_used() >= first


def test_who_reads_is_answered_while_nothing_can_be_written(keyed: Keyed, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(*_: object) -> None:
        raise OperationalError("UPDATE keys", {}, Exception("database is locked"))

    monkeypatch.setattr(keys, "touch", locked)
    assert keyed.ask("GET", "/v1/takes", keyed.made("read")).status_code == 200


def test_a_body_is_not_read_before_the_key(keyed: Keyed) -> None:
    broken = {"data": "{", "content_type": "application/json"}
    assert_problem(keyed.ask("POST", "/v1/coils", **broken), 401, "key-missing")
    assert_problem(keyed.ask("POST", "/v1/coils", "read", **broken), 400, "broken-json")


def test_two_keys_with_one_idempotency_key_are_two_senders(keyed: Keyed) -> None:
    headers = {"Idempotency-Key": "again"}
    one, other = keyed.made("write"), keyed.made("write")

    def add(key: access_key.AccessKey, chain: str):
        return keyed.ask("POST", "/v1/chains", key, json={"key": chain}, headers=headers)

    first = add(one, "desk")
    assert first.status_code == 201
    assert add(one, "desk").json == first.json, "told again to whom it was told"
    assert_problem(add(other, "desk"), 409, "chain-exists")
    assert add(other, "box").status_code == 201
    reused = assert_problem(add(one, "box"), 422, "idempotency-key-reused")
    assert "'again'" in reused["detail"]
    assert one.id not in str(reused)


@pytest.mark.parametrize(
    ("settings", "needed"),
    [
        ({"listen": "127.0.0.1:8080"}, False),
        ({"listen": "[::1]:0"}, False),
        ({"listen": "localhost:8080"}, False),
        ({"listen": "127.0.0.1:8080", "keys": "always"}, True),
        ({"listen": "127.0.0.1:8080", "trusted_proxies": 1}, True),
        ({"listen": "0.0.0.0:8080"}, True),
        ({"listen": "[::]:8080"}, True),
        ({"listen": "192.168.1.5:8080"}, True),
        ({"listen": "bench.studio.example:8080"}, True),
    ],
)
def test_only_a_service_that_nobody_else_can_reach_is_open(settings: dict[str, object], needed: bool) -> None:
    assert keys_needed(Configuration(**settings)) is needed  # type: ignore[arg-type]


def test_an_open_service_asks_for_nothing_and_minds_no_key(unguarded: Service) -> None:
    assert unguarded.client.get("/v1/takes").status_code == 200
    assert unguarded.client.get("/v1/keys").json == {"items": [], "next": None}
    assert unguarded.client.get("/v1/takes", headers=bearing("nonsense")).status_code == 200


@pytest.mark.parametrize(
    "name", ["Forwarded", "Via", "X-Forwarded-For", "x-forwarded-host", "X-Forwarded-Proto", "X-Real-IP"]
)
def test_an_open_service_refuses_what_a_proxy_passed_on(unguarded: Service, keyed: Keyed, name: str) -> None:
    for value in ("198.51.100.7", ""):
        body = assert_problem(unguarded.client.get("/v1/takes", headers={name: value}), 403, "behind-a-proxy")
        assert "COILBENCH_KEYS=always" in body["advice"]
        assert unguarded.client.get("/problems/behind-a-proxy", headers={name: value}).status_code == 200
    assert keyed.ask("GET", "/v1/takes", "read", headers={name: "198.51.100.7"}).status_code == 200


def test_a_service_on_a_network_answers_to_its_numbers_and_named_hosts_only(tmp_path: Path) -> None:
    settings = {"listen": "0.0.0.0:0", "keys": "auto", "allowed_hosts": "api"}
    with keyed_service(tmp_path, **settings) as keyed:
        for host, status in (("192.0.2.7:8080", 200), ("api:8080", 200), ("localhost", 200), ("evil.example", 421)):
            assert keyed.ask("GET", "/v1/takes", "read", base_url=f"http://{host}").status_code == status, host
        assert_problem(keyed.ask("GET", "/v1/takes"), 401, "key-missing")


@pytest.mark.parametrize("needed", [True, False])
def test_the_openapi_document_says_what_each_operation_needs(keyed: Keyed, unguarded: Service, needed: bool) -> None:
    asked = keyed.ask("GET", "/v1/openapi.json", "read") if needed else unguarded.client.get("/v1/openapi.json")
    document = asked.json
    scheme = document["components"]["securitySchemes"]["bearer"]
    assert (scheme["type"], scheme["scheme"]) == ("http", "bearer")
    seen = 0
    for rule, method, _ in routes(keyed.service):
        path = rule.replace("<path:", "{").replace("<", "{").replace(">", "}")
        operation = document["paths"].get(path, {}).get(method.lower())
        if operation is None:
            continue  # pages
        seen += 1
        scope = expected(rule, method)
        wanted = [] if scope is None else [{"bearer": [scope]}]
        assert operation["security"] == (wanted if needed or not wanted else [*wanted, {}]), (rule, method)
        assert {"401", "403"} <= set(operation["responses"])
    assert seen == sum(len(item) for item in document["paths"].values())
