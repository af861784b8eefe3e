"""What every answer of every route carries, and what none gives away; pages of other origins, and https."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from werkzeug.test import TestResponse

from coilbench_service.admission import OPEN
from coilbench_service.browser_headers import SAME_FOR_ALL
from coilbench_worker.configuration import Configuration
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service
from keyholders import key_made, shown

METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE")
HTML = {"Accept": "text/html"}
NOTES = "https://notes.studio.example"
INSIDE = re.compile(
    r"Traceback|File \"|site-packages|\.py\b|/(?:usr|home|root|tmp|work)/|SELECT [\w.,* ]+ FROM|sqlite|psycopg"
    r"|\b(werkzeug|flask|python|sqlalchemy|waitress|gunicorn|jinja2?|pydantic|celery|redis)[ /]v?\d+\.\d+",
    re.IGNORECASE,
)
"""What only the inside of the service would say."""
OF_OTHERS = ("documentation.read_asset", "page.static")
"""Files that are the same for everybody; the viewer's script is not ours."""


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service that wants keys, with one measured take of a pickup, a session and a chain."""
    with running_service(tmp_path_factory.mktemp("keyed"), keys="always", requests_per_minute=10**6) as made:
        key = shown(key_made(made))
        for kind in ("pickups", "sessions", "chains"):
            assert made.client.post(f"/v1/{kind}", json={"key": "harbour"}, headers=key).status_code == 201
        about = {"pickup": "harbour", "session": "harbour", "chain": "harbour"}
        assert made.send(strums_wav(), about=about, headers=key).status_code == 202
        made.work()
        yield made


def _answers(service: Service, headers: dict[str, str]) -> Iterator[tuple[str, TestResponse]]:
    """An answer of every route to every method; what is deleted by that comes last."""
    admin = shown(key_made(service, "admin"))
    take = service.client.get("/v1/takes", headers=admin).json["items"]
    values = {"take_id": take[0]["id"] if take else "none", "number": "1", "slug": "not-found", "word": "warm"}
    for method in METHODS:
        for rule in service.app.url_map.iter_rules():
            address = re.sub(
                r"<(?:[^<:]+:)?([^>]+)>", lambda found: values.get(found[1], "harbour"), rule.rule
            ).replace("charts/harbour", "charts/waveform")
            answer = service.client.open(address, method=method, headers=headers, buffered=True)
            yield rule.endpoint, answer
        yield "nowhere", service.client.open("/v1/nowhere", method=method, headers=headers)


def _assert_guarded(endpoint: str, answer: TestResponse, *, kept_by_one: bool) -> None:
    where = (endpoint, answer.request.method, answer.status_code)
    for name, value in SAME_FOR_ALL.items():
        assert answer.headers.get(name) == value, (where, name)
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy, where
    assert "frame-ancestors 'none'" in policy, where
    assert "unsafe-eval" not in policy, where
    scripts = next((part for part in policy.split(";") if part.strip().startswith("script-src")), "")
    assert "unsafe-inline" not in scripts, where
    assert "Strict-Transport-Security" not in answer.headers, where
    assert "Access-Control-Allow-Origin" not in answer.headers, where
    assert "Server" not in answer.headers, where
    if kept_by_one:
        assert {"no-store", "private"} & set(re.split(r", *", answer.headers.get("Cache-Control", ""))), where
        assert "public" not in answer.headers["Cache-Control"], where
    if endpoint not in OF_OTHERS:
        found = INSIDE.search(answer.get_data().decode("utf-8", "replace") if answer.mimetype in TEXT else "")
        assert found is None, (where, found)


FOR_ALL = {
    "health.healthz",
    "problems.list_problems",
    "problems.read_problem",
    "page.static",
    "page.sign_in",
    "page.sign_out",
}
TEXT = ("text/html", "application/json", "application/problem+json", "text/plain", "text/csv", "image/svg+xml")


@pytest.mark.parametrize(("scope", "accept"), [(None, "text/html"), ("read", "text/html"), ("admin", "*/*")])
def test_every_answer_of_every_route_is_guarded_and_keeps_the_inside_inside(
    keyed: Service, scope: str | None, accept: str
) -> None:
    seen = set()
    headers = {"Accept": accept} | (shown(key_made(keyed, scope)) if scope else {})
    for endpoint, answer in _answers(keyed, headers):
        seen.add(answer.status_code)
        _assert_guarded(endpoint, answer, kept_by_one=scope is not None and endpoint not in OPEN)
    wanted = {None: {200, 303, 401}, "read": {200, 403, 404, 405}, "admin": {200, 204, 404, 405, 415}}
    assert wanted[scope] <= seen


def test_what_is_open_to_all_needs_no_key_and_nothing_else_is(keyed: Service) -> None:
    assert OPEN == FOR_ALL
    without = {}
    for endpoint, answer in _answers(keyed, {}):
        without.setdefault(answer.status_code < 400, set()).add(endpoint)
        _assert_guarded(endpoint, answer, kept_by_one=False)
    assert without[True] == FOR_ALL


@pytest.mark.parametrize("endpoint", ["page.sessions", "sessions.list_sheets"])
@pytest.mark.parametrize("accept", ["*/*", "text/html"])
def test_a_bug_tells_a_reference_and_nothing_of_its_inside(tmp_path: Path, endpoint: str, accept: str) -> None:
    with running_service(tmp_path, keys="always") as service, capture_logs() as lines:
        assert endpoint in service.app.view_functions

        def broken(**_: object) -> None:
            raise RuntimeError(f"secret of {tmp_path} in {__file__}: SELECT * FROM keys; Werkzeug/3.1.9")

        service.app.view_functions[endpoint] = broken
        address = "/sessions" if endpoint.startswith("page.") else "/v1/sessions"
        answer = service.client.get(address, headers=shown(key_made(service)) | {"Accept": accept})
        body = assert_problem(answer, 500, "internal-error")
        _assert_guarded(endpoint, answer, kept_by_one=True)
        assert "secret" not in answer.text
        assert body["reference"] == answer.headers["X-Request-Id"]
    (logged,) = [line for line in lines if line["log_level"] == "error"]
    assert logged["reference"] == body["reference"]
    assert str(logged["exc_info"]).startswith(f"secret of {tmp_path}")


def test_https_is_held_to_only_where_a_believed_proxy_says_it_was_used(tmp_path: Path) -> None:
    https = {"X-Forwarded-Proto": "https"}
    with running_service(tmp_path / "behind", trusted_proxies=1) as service:
        assert service.client.get("/healthz", headers=https).headers["Strict-Transport-Security"].startswith("max-age=")
        assert "Strict-Transport-Security" not in service.client.get("/healthz").headers
    with running_service(tmp_path / "alone", keys="always") as service:
        assert "Strict-Transport-Security" not in service.client.get("/healthz", headers=https).headers


def test_what_is_the_same_for_all_may_be_kept_and_what_a_key_opened_is_asked_anew(keyed: Service) -> None:
    headers = shown(key_made(keyed, "read"))
    assert keyed.client.get("/v1/takes", headers=headers).headers["Cache-Control"] == "no-store"
    known = keyed.client.get("/v1/quantities", headers=headers)
    assert set(known.headers["Cache-Control"].split(", ")) == {"no-cache", "private"}
    again = keyed.client.get("/v1/quantities", headers=headers | {"If-None-Match": known.headers["ETag"]})
    assert again.status_code == 304
    assert "private" in again.headers["Cache-Control"]


@pytest.fixture(scope="module")
def inviting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service whose API pages of one other origin may call."""
    with running_service(tmp_path_factory.mktemp("cors"), keys="always", cors_origins=f"{NOTES}/,".strip("/,")) as made:
        yield made


def _preflight(service: Service, origin: str, method: str = "POST", address: str = "/v1/chains") -> TestResponse:
    headers = {"Origin": origin, "Access-Control-Request-Method": method, "Sec-Fetch-Site": "cross-site"}
    return service.client.options(address, headers=headers | {"Access-Control-Request-Headers": "authorization"})


def test_a_named_origin_may_call_the_api_with_a_key(inviting: Service) -> None:
    asked = _preflight(inviting, NOTES)
    assert asked.status_code == 204
    assert asked.headers["Access-Control-Allow-Origin"] == NOTES
    assert "POST" in asked.headers["Access-Control-Allow-Methods"]
    assert "Authorization" in asked.headers["Access-Control-Allow-Headers"]
    page = {"Origin": NOTES, "Sec-Fetch-Site": "cross-site"}
    answer = inviting.client.post("/v1/chains", json={"key": "desk"}, headers=shown(key_made(inviting)) | page)
    assert answer.status_code == 201
    for one in (asked, answer, inviting.client.get("/v1/chains", headers=page)):
        assert one.headers["Access-Control-Allow-Origin"] == NOTES
        assert "Origin" in one.headers["Vary"]
        assert "Access-Control-Allow-Credentials" not in one.headers
    assert_problem(inviting.client.get("/v1/chains", headers=page), 401, "key-missing")


@pytest.mark.parametrize(
    "origin", ["https://notes.studio.example.evil.example", "http://notes.studio.example", f"{NOTES}:8443", "null", "*"]
)
def test_no_other_origin_may(inviting: Service, origin: str) -> None:
    for answer in (
        _preflight(inviting, origin),
        inviting.client.get("/v1/chains", headers=shown(key_made(inviting)) | {"Origin": origin}),
    ):
        assert_problem(answer, 403, "foreign-origin")
        assert "Access-Control-Allow-Origin" not in answer.headers
        assert "Origin" in answer.headers["Vary"]


def test_pages_are_for_no_other_origin_and_a_sign_in_counts_for_nothing_there(inviting: Service) -> None:
    client = inviting.client
    assert client.post("/sign-in", data={"key": key_made(inviting)}).status_code == 303
    for site in ("cross-site", "same-site"):
        page = {"Origin": NOTES, "Sec-Fetch-Site": site}
        assert_problem(client.post("/v1/chains", json={"key": "x"}, headers=page), 403, "foreign-origin")
        assert client.get("/", headers=page | HTML).status_code == 403
        assert client.post("/sign-in", data={"key": "x"}, headers=page).status_code == 403


def test_without_the_setting_no_page_of_another_origin_may_ask(keyed: Service) -> None:
    answer = _preflight(keyed, NOTES)
    assert_problem(answer, 403, "foreign-origin")
    assert not [name for name in answer.headers.keys() if name.startswith("Access-Control")]  # noqa: SIM118


@pytest.mark.parametrize(
    "origins", ["notes.studio.example", "https://notes.studio.example/page", "ftp://x", "https://", "https://a:b"]
)
def test_what_is_no_origin_is_refused_at_the_start(origins: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="is no origin"):
        Configuration(data=tmp_path, cors_origins=origins)


def test_origins_are_compared_as_browsers_write_them(tmp_path: Path) -> None:
    configuration = Configuration(data=tmp_path, cors_origins="HTTPS://Notes.Example:443, http://[::1]:8000")
    assert configuration.origins_allowed == ("https://notes.example", "http://[::1]:8000")
