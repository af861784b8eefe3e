"""How often a key may ask and how much it may send, who guesses keys, and what proxies are believed."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from urllib3 import encode_multipart_formdata
from werkzeug.test import TestResponse

from coilbench_service import access_key, upload
from coilbench_service.allowance import FAILURES
from coilbench_service.app import create_app
from coilbench_service.bench import Bench
from http_recordings import pcm16, strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service
from keyholders import key_made, shown
from services import RedisServer

WAVE = pcm16(np.full(4_800, 0.1))
BAD = f"coil_{'0' * 16}_{'A' * 43}"


@pytest.fixture
def keyed(tmp_path: Path) -> Iterator[Service]:
    """A service that wants keys."""
    with running_service(tmp_path / "data", keys="always", requests_per_minute=4) as made:
        yield made


def _ask(service: Service, key: str, address: str = "192.0.2.1", **headers: str) -> TestResponse:
    return service.client.get(
        "/v1/takes?limit=1", headers=shown(key) | headers, environ_overrides={"REMOTE_ADDR": address}
    )


def _assert_wait(answer: TestResponse, slug: str, most_s: int) -> None:
    assert_problem(answer, 429, slug)
    assert 1 <= int(answer.headers["Retry-After"]) <= most_s


def test_a_key_that_asked_too_often_waits_and_others_do_not(keyed: Service) -> None:
    hasty, calm = key_made(keyed), key_made(keyed)
    assert [_ask(keyed, hasty).status_code for _ in range(4)] == [200] * 4
    _assert_wait(_ask(keyed, hasty), "too-many-requests", 60)
    assert _ask(keyed, calm).status_code == 200


def test_a_key_with_a_limit_of_its_own_has_that_one(keyed: Service) -> None:
    key = key_made(keyed, requests_per_minute=6)
    assert [_ask(keyed, key).status_code for _ in range(7)] == [200] * 6 + [429]


def test_every_answer_says_how_many_requests_are_left(keyed: Service) -> None:
    key = key_made(keyed)
    for left in (3, 2, 1, 0, 0):
        answer = _ask(keyed, key)
        assert answer.headers["RateLimit-Policy"] == '"requests";q=4;w=60'
        assert re.fullmatch(rf'"requests";r={left};t=\d+', answer.headers["RateLimit"])


def test_what_the_key_does_not_open_is_counted_too(keyed: Service) -> None:
    key = key_made(keyed, "read")
    answers = [keyed.client.delete("/v1/chains/desk", headers=shown(key)) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [403] * 4 + [429]


def test_health_is_asked_as_often_as_one_likes(keyed: Service) -> None:
    headers = shown(key_made(keyed))
    assert {keyed.client.get("/healthz", headers=headers).status_code for _ in range(10)} == {200}


def test_nothing_is_limited_where_no_key_is_needed(tmp_path: Path) -> None:
    with running_service(tmp_path, requests_per_minute=1, upload_bytes_per_day=1024) as service:
        for _ in range(2):
            answer = service.client.get("/v1/takes", headers=shown(BAD))
            assert answer.status_code == 200
            assert "RateLimit" not in answer.headers
            assert service.send(strums_wav()).status_code == 202


def test_two_processes_count_together_on_redis(tmp_path: Path, redis_url: str) -> None:
    with running_service(tmp_path, keys="always", requests_per_minute=6, broker_url=redis_url) as first:
        bench = Bench.of(first.configuration)
        try:
            second = create_app(first.configuration, bench).test_client()
            key = key_made(first)
            seen = []
            for _ in range(4):
                seen.append(_ask(first, key).status_code)
                seen.append(second.get("/v1/takes", headers=shown(key)).status_code)
            assert seen == [200] * 6 + [429] * 2
            sent = _send(first, key_made(first, upload_bytes_per_day=10**6), WAVE)
            assert sent.status_code == 202
        finally:
            bench.close()


def test_a_redis_that_freezes_or_dies_keeps_nobody_waiting_or_out(tmp_path: Path) -> None:
    server = RedisServer()
    try:
        server.start()
        with running_service(tmp_path, keys="always", requests_per_minute=6, broker_url=server.url) as service:
            key = key_made(service)
            assert [_ask(service, key).status_code for _ in range(7)] == [200] * 6 + [429]
            server.freeze()
            assert [_ask(service, key).status_code for _ in range(7)] == [200] * 6 + [429]  # counted by itself
            server.kill()
            assert _ask(service, key_made(service)).status_code == 200
    finally:
        server.close()


def _send(service: Service, key: str, content: bytes, **headers: str) -> TestResponse:
    body, content_type = encode_multipart_formdata({"file": ("take.wav", content)})
    return service.client.post("/v1/takes", data=body, content_type=content_type, headers=shown(key) | headers)


def test_bytes_of_recordings_are_counted_when_they_are_kept_and_once(tmp_path: Path) -> None:
    with running_service(tmp_path, keys="always", upload_bytes_per_day=2 * len(WAVE) + 10) as service:
        key, other = key_made(service), key_made(service)
        assert _send(service, key, b"no recording").status_code == 415
        for _ in range(2):
            answer = _send(service, key, WAVE, **{"Idempotency-Key": "one"})
            assert answer.status_code == 202
        assert f'"recordings";q={2 * len(WAVE) + 10};qu="content-bytes";w=86400' in answer.headers["RateLimit-Policy"]
        assert f'"recordings";r={len(WAVE) + 10};' in answer.headers["RateLimit"]
        assert _send(service, key, WAVE).status_code == 202
        assert (
            _send(service, key, pcm16(np.full(1_000, 0.1))).status_code == 202
        )  # ten bytes are left: the last one may pass them
        _assert_wait(_send(service, key, WAVE), "upload-quota-used", 86_400)
        assert _ask(service, key).status_code == 200
        assert _send(service, other, WAVE).status_code == 202


class _Unread(io.RawIOBase):
    """A body that must not be read."""

    def readable(self) -> bool:
        return True

    def readinto(self, _: object) -> int:
        raise AssertionError("the body was read")


@pytest.mark.parametrize("address", ["/v1/takes", "/v1/chains/desk/calibrations"])
def test_what_is_too_large_for_the_day_is_refused_before_it_is_read(tmp_path: Path, address: str) -> None:
    with running_service(tmp_path, keys="always", upload_bytes_per_day=1024) as service:
        body = {"wsgi.input": _Unread(), "CONTENT_LENGTH": str(upload.ENVELOPE_BYTES + 1025)}
        answer = service.client.post(
            address,
            content_type="multipart/form-data; boundary=b",
            environ_overrides=body,
            headers=shown(key_made(service)),
        )
        _assert_wait(answer, "upload-quota-used", 86_400)


def test_who_guesses_keys_waits_and_whoever_works_at_the_same_address_goes_on(keyed: Service) -> None:
    working, new = key_made(keyed), key_made(keyed)
    assert _ask(keyed, working).status_code == 200
    assert {_ask(keyed, BAD).status_code for _ in range(FAILURES.amount)} == {401}
    _assert_wait(_ask(keyed, BAD), "too-many-requests", 60)
    _assert_wait(_ask(keyed, new), "too-many-requests", 60)  # it might be a guess that hits
    assert _ask(keyed, working).status_code == 200
    assert _ask(keyed, new, "192.0.2.2").status_code == 200


def test_guesses_in_the_sign_in_form_are_counted_with_the_others(keyed: Service) -> None:
    for _ in range(FAILURES.amount // 2):
        assert _ask(keyed, BAD, "127.0.0.1").status_code == 401
        assert keyed.client.post("/sign-in", data={"key": BAD}).status_code == 401
    refused = keyed.client.post("/sign-in", data={"key": key_made(keyed)}, headers={"Accept": "text/html"})
    assert refused.status_code == 429
    assert f"Try again in {refused.headers['Retry-After']} s." in refused.get_data(as_text=True)


@pytest.mark.parametrize("proxies", [0, 1, 2])
def test_as_many_addresses_of_a_forwarded_request_are_believed_as_there_are_proxies(
    tmp_path: Path, proxies: int, capsys: pytest.CaptureFixture[str]
) -> None:
    believed = ("127.0.0.1", "198.51.100.2", "198.51.100.1")[proxies]
    forwarded = {"X-Forwarded-For": "203.0.113.66, 198.51.100.1, 198.51.100.2"}
    with running_service(tmp_path, keys="always", trusted_proxies=proxies) as service:
        for _ in range(FAILURES.amount):
            assert _ask(service, access_key.make().text, "127.0.0.1", **forwarded).status_code == 401
        key = key_made(service)
        others = forwarded | {"X-Forwarded-For": "203.0.113.66, 203.0.113.1, 203.0.113.2"}
        assert _ask(service, key, "127.0.0.1", **forwarded).status_code == 429
        assert _ask(service, key, "127.0.0.1", **others).status_code == (200 if proxies else 429)
    assert f"client={believed}" in re.sub(r"\x1b\[\d*m", "", capsys.readouterr().out)
