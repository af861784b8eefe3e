"""Every error of every route is a problem of one shape; nothing of the inside gets out."""

from __future__ import annotations

import errno
import re
import sqlite3
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from coilbench_service.app import create_app
from coilbench_service.bench import Bench
from coilbench_service.routes.problem_pages import every_kind
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import takes
from coilbench_worker.store.blobs import Incoming
from http_service import Service, assert_problem
from http_service import service as running_service
from unit.audio.sound_bytes import pcm_wav

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


def _addresses(service: Service) -> list[str]:
    rules = {re.sub(r"<[^>]+>", "nothing-of-that-name", rule.rule) for rule in service.app.url_map.iter_rules()}
    return sorted(rules)


def test_every_route_answers_every_method_with_success_or_a_problem(service: Service) -> None:
    client, seen = service.client, 0
    for address in _addresses(service):
        for method in METHODS:
            answer = client.open(address, method=method)
            if answer.status_code < 400:
                continue
            seen += 1
            assert answer.mimetype == "application/problem+json", (method, address, answer.text)
            if method != "HEAD":
                assert_problem(answer, answer.status_code, answer.json["type"].removeprefix("/problems/"))
            if answer.status_code == 405:
                assert method not in answer.headers["Allow"].split(", ")
    assert seen > 60


def test_the_type_of_every_kind_can_be_opened(service: Service) -> None:
    client = service.client
    listed = client.get("/problems").json["items"]
    assert [item["type"] for item in listed] == [kind.type for kind in every_kind()]
    for item in listed:
        assert client.get(item["type"]).json == item


def test_an_unknown_route_and_kind_are_problems(service: Service) -> None:
    assert_problem(service.client.get("/v1/guitars"), 404, "not-found")
    assert_problem(service.client.get("/problems/no-such-kind"), 404, "not-found")
    assert_problem(service.client.get("/v1/takes/"), 404, "not-found")


def test_a_wrong_method_is_told_the_right_ones(service: Service) -> None:
    answer = service.client.delete("/v1/takes")
    assert_problem(answer, 405, "method-not-allowed")
    assert answer.headers["Allow"] == "GET, HEAD, OPTIONS, POST"


def test_a_bug_shows_only_a_reference_that_the_log_has_too(
    service: Service, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(takes, "page", broken)
    answer = service.client.get("/v1/takes", headers={"X-Request-Id": "my-request-7"})
    body = assert_problem(answer, 500, "internal-error")
    assert body["reference"] == "my-request-7"
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    logged = capsys.readouterr()
    assert "secret inside" in logged.out + logged.err
    assert "my-request-7" in logged.out + logged.err


def test_a_database_that_does_not_answer_is_a_fault_that_may_pass(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: object) -> None:
        raise OperationalError("SELECT", {}, Exception("connection refused by db.studio.example"))

    monkeypatch.setattr(takes, "page", away)
    answer = service.client.get("/v1/takes")
    body = assert_problem(answer, 503, "store-unavailable")
    assert int(answer.headers["Retry-After"]) > 0
    assert "db.studio.example" not in str(body)


@pytest.mark.parametrize(
    ("fault", "status", "slug"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), 507, "storage-full"),
        (OSError(errno.EDQUOT, "Disk quota exceeded"), 507, "storage-full"),
        (PermissionError(errno.EACCES, "Permission denied", "/data/audio"), 503, "store-unavailable"),
    ],
)
def test_a_disk_that_takes_no_more_is_told_apart_from_one_that_is_away(
    service: Service, monkeypatch: pytest.MonkeyPatch, fault: OSError, status: int, slug: str
) -> None:
    def full(*_: object) -> None:
        raise fault

    monkeypatch.setattr(Incoming, "write", full)
    answer = service.send(pcm_wav())
    assert_problem(answer, status, slug)
    assert "/data/audio" not in answer.text
    assert service.client.get("/v1/takes").json["items"] == []
    monkeypatch.undo()
    assert service.send(pcm_wav()).status_code == 202


def test_a_recording_that_is_lost_is_our_fault_and_not_a_fault_that_may_pass(service: Service) -> None:
    take = service.sent(pcm_wav())
    service.bench.blobs.delete(f"{take['file']['sha256'][:2]}/{take['file']['sha256']}")
    assert_problem(service.client.get(take["links"]["audio"]), 500, "internal-error")


JSON_BODIES: list[tuple[str, Any, str, int, str]] = [
    ("no content type", b"{}", "", 415, "not-json"),
    ("form", b"a=b", "application/x-www-form-urlencoded", 415, "not-json"),
    ("other charset", b"{}", "application/json; charset=latin-1", 415, "not-json"),
    ("broken", b"{", "application/json", 400, "broken-json"),
    ("empty", b"", "application/json", 400, "broken-json"),
    ("NaN", b'{"about": {"battery_v": NaN}}', "application/json", 400, "broken-json"),
    ("name twice", b'{"about": {}, "about": {}}', "application/json", 400, "broken-json"),
    ("not UTF-8", b'{"about": {"label": "\xe9"}}', "application/json", 400, "broken-json"),
    ("deep", b'{"about":' * 50_000, "application/json", 400, "broken-json"),
    ("list", b"[]", "application/json", 422, "invalid-request"),
    ("text", b'"{}"', "application/json", 422, "invalid-request"),
    ("about missing", b"{}", "application/json", 422, "invalid-request"),
    ("about is text", b'{"about": "x"}', "application/json", 422, "invalid-request"),
    ("unknown member", b'{"about": {}, "state": "measured"}', "application/json", 422, "invalid-request"),
    ("too large", b'{"about": {"notes": "' + b"x" * (1 << 20) + b'"}}', "application/json", 413, "too-large"),
    ("unknown take", b'{"about": {}}', "application/merge-patch+json", 404, "take-not-found"),
]


@pytest.mark.parametrize(
    ("body", "content_type", "status", "slug"), [row[1:] for row in JSON_BODIES], ids=[row[0] for row in JSON_BODIES]
)
def test_a_bad_json_body_has_its_problem(
    service: Service, body: bytes, content_type: str, status: int, slug: str
) -> None:
    answer = service.client.patch("/v1/takes/none", data=body, content_type=content_type)
    found = assert_problem(answer, status, slug)
    if status == 422:
        assert found["errors"]


QUERIES = [
    ("/v1/takes?limit=0", "limit"),
    ("/v1/takes?limit=501", "limit"),
    ("/v1/takes?limit=many", "limit"),
    ("/v1/takes?state=done", "state"),
    ("/v1/takes?since=yesterday", "since"),
    ("/v1/takes?sha256=12", "sha256"),
    ("/v1/takes?cursor=%00", "cursor"),
    ("/v1/takes?id=%00", "id.0"),
    ("/v1/takes?staet=waiting", "staet"),
    ("/v1/table?per=pickle", "per"),
    ("/v1/table?format=pdf", "format"),
    ("/v1/table?quantities=rms_dbfs,loudness", "quantities"),
]


@pytest.mark.parametrize(("address", "field"), QUERIES)
def test_a_bad_query_names_the_field(service: Service, address: str, field: str) -> None:
    body = assert_problem(service.client.get(address), 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == [field]


def test_a_host_that_is_not_ours_is_turned_away_even_from_unknown_routes(service: Service) -> None:
    for address in ("/healthz", "/nowhere"):
        assert_problem(service.client.get(address, headers={"Host": "evil.example"}), 421, "host-not-allowed")
    assert_problem(service.client.get("/healthz", headers={"Origin": "http://evil.example"}), 403, "foreign-origin")


def test_a_host_that_is_allowed_by_a_setting_is_answered(tmp_path) -> None:
    with running_service(tmp_path, allowed_hosts="bench.studio.example") as service:
        headers = {"Host": "bench.studio.example:8080"}
        assert service.client.get("/healthz", headers=headers).status_code == 200


def test_every_answer_carries_its_id_and_the_headers_of_safety(service: Service) -> None:
    for address in ("/healthz", "/nowhere", "/v1/docs"):
        answer = service.client.get(address, headers={"X-Request-Id": "abc-1"})
        assert answer.headers["X-Request-Id"] == "abc-1"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
        assert "Access-Control-Allow-Origin" not in answer.headers
    strange = service.client.get("/healthz", headers={"X-Request-Id": "a b\x7f"}).headers["X-Request-Id"]
    assert re.fullmatch(r"[0-9a-f]{32}", strange)


def test_not_ready_names_each_part_that_is_missing(service: Service) -> None:
    answer = service.client.get("/readyz")
    body = assert_problem(answer, 503, "not-ready")
    assert [error["field"] for error in body["errors"]] == ["worker"]
    assert body["parts"]["storage"] == "can be written"
    assert int(answer.headers["Retry-After"]) > 0


def test_a_database_without_tables_is_said_in_a_sentence_and_not_in_sql(tmp_path) -> None:
    configuration = Configuration(data=tmp_path, listen="127.0.0.1:0")
    sqlite3.connect(tmp_path / "coilbench.sqlite").close()
    bench = Bench.of(configuration)
    try:
        client = create_app(configuration, bench).test_client()
        body = assert_problem(client.get("/readyz"), 503, "not-ready")
    finally:
        bench.close()
    assert [error["field"] for error in body["errors"]] == ["database", "worker"]
    assert body["errors"][0]["message"] == "the database has no tables yet; run `coilbench-server migrate` first"
    assert "SELECT" not in str(body)
    assert all("\n" not in error["message"] for error in body["errors"])


def test_a_broker_that_is_down_is_named_and_health_does_not_mind(tmp_path) -> None:
    with running_service(tmp_path, broker_url="redis://127.0.0.1:1/0") as service:
        body = assert_problem(service.client.get("/readyz"), 503, "not-ready")
        assert [error["field"] for error in body["errors"]] == ["broker", "worker"]
        assert service.client.get("/healthz").json == {"alive": True}
