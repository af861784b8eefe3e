"""What people send that is not a take, over HTTP: each has its status, its problem and one line of advice."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from http_recordings import cut, pcm16, strums, strums_wav, with_value
from http_service import Service, assert_problem
from http_service import service as running_service
from unit.audio.sound_bytes import chunk, flac_head, fmt, pcm_wav, wav

DATA = chunk(b"data", bytes(960))
PLAIN = chunk(b"fmt ", fmt())

# what it is, bytes, status, problem, words of the detail
FILES: list[tuple[str, bytes, int, str, str]] = [
    ("no bytes", b"", 422, "empty-file", "no bytes"),
    ("text named .wav", b"Dear Sir,\nplease find my take\n" * 9, 415, "not-a-recording", "text"),
    ("ZIP archive", b"PK\3\4" + bytes(60), 415, "not-a-recording", "ZIP"),
    ("zero frames", wav(PLAIN, chunk(b"data", b"")), 422, "no-samples", "0 bytes"),
    ("64 channels", pcm_wav(frames=8, channels=64), 422, "too-many-channels", "64"),
    ("0 channels", wav(chunk(b"fmt ", fmt(channels=0)), DATA), 422, "damaged-header", "0 channels"),
    ("sample rate 0", wav(chunk(b"fmt ", fmt(rate_hz=0)), DATA), 422, "sample-rate-out-of-range", "0 Hz"),
    ("header only", pcm_wav()[:20], 422, "damaged-header", ""),
    ("mu-law", wav(chunk(b"fmt ", fmt(7, bits=8)), DATA), 415, "unsupported-encoding", "mu-law"),
    ("MS ADPCM", wav(chunk(b"fmt ", fmt(2, bits=4, frame_bytes=256)), DATA), 415, "unsupported-encoding", "MS ADPCM"),
    (
        "IMA ADPCM",
        wav(chunk(b"fmt ", fmt(17, bits=4, frame_bytes=256)), DATA),
        415,
        "unsupported-encoding",
        "IMA ADPCM",
    ),
    ("BW64", wav(PLAIN, DATA, outer=b"BW64"), 415, "unsupported-encoding", "BW64"),
    ("MP3", b"\xff\xfb\x90\x64" + bytes(400), 415, "unsupported-encoding", "MP3"),
    ("FLAC that claims days", flac_head(frames=(1 << 36) - 1), 422, "damaged-header", "promises"),
]


@pytest.mark.parametrize(("content", "status", "slug", "words"), [r[1:] for r in FILES], ids=[r[0] for r in FILES])
def test_a_file_that_is_no_take_is_refused_and_nothing_is_kept(
    service: Service, content: bytes, status: int, slug: str, words: str
) -> None:
    body = assert_problem(service.send(content, "take.wav"), status, slug)
    assert words in body["detail"]
    assert [error["field"] for error in body["errors"]] == ["file"]
    assert service.client.get("/v1/takes").json["items"] == []
    assert [path for path in Path(service.configuration.blobs).rglob("*") if path.is_file()] == []


ABOUTS: list[tuple[str, Any, str]] = [
    ("broken JSON", "{", "about"),
    ("a list", [1], "about"),
    ("a number", 7, "about"),
    ("duplicate keys", '{"label": "a", "label": "b"}', "about.label"),
    ("NaN", '{"input_gain_db": NaN}', "about"),
    ("text for a number", {"expected_strums": "four"}, "about.expected_strums"),
    ("no such channel", {"channel": 0}, "about.channel"),
    ("not a list", {"tags": "loud"}, "about.tags"),
    ("too long", {"notes": "x" * 20_000}, "about.notes"),
]


@pytest.mark.parametrize(("about", "field"), [row[1:] for row in ABOUTS], ids=[row[0] for row in ABOUTS])
def test_a_bad_description_is_refused_with_its_field(service: Service, about: Any, field: str) -> None:
    body = assert_problem(service.send(strums_wav(), about=about), 422, "invalid-about")
    assert field in [error["field"] for error in body["errors"]]
    assert service.client.get("/v1/takes").json["items"] == []


def test_requests_that_are_no_upload_have_their_problems(service: Service) -> None:
    client = service.client
    assert_problem(client.post("/v1/takes", json={"file": "x"}), 415, "not-multipart")
    assert_problem(client.post("/v1/takes", data=strums_wav(), content_type="audio/wav"), 415, "not-multipart")
    assert_problem(client.post("/v1/takes"), 415, "not-multipart")
    assert_problem(client.post("/v1/takes", data={"about": "{}"}, content_type="multipart/form-data"), 422, "no-file")
    two = {"file": [(io.BytesIO(b"x"), "a.wav"), (io.BytesIO(b"y"), "b.wav")]}
    assert_problem(client.post("/v1/takes", data=two), 422, "part-twice")
    odd = {"file": (io.BytesIO(b"x"), "a.wav"), "picture": (io.BytesIO(b"y"), "b.png")}
    assert_problem(client.post("/v1/takes", data=odd), 422, "unknown-part")
    broken = {"data": b"--x\r\nContent-Dis", "content_type": "multipart/form-data; boundary=x"}
    assert_problem(client.post("/v1/takes", **broken), 400, "broken-multipart")
    bad_key = {"Idempotency-Key": "two words"}
    assert_problem(service.send(strums_wav(), headers=bad_key), 422, "invalid-request")


def test_a_recording_past_the_limit_is_refused(tmp_path: Path) -> None:
    with running_service(tmp_path, max_upload_bytes=20_000) as service:
        body = assert_problem(service.send(strums_wav()), 413, "too-large")
        assert "20000" in body["detail"]
        whole = assert_problem(service.send(bytes(1_000_000)), 413, "too-large")
        assert "20000" in whole["detail"]
        assert service.client.get("/v1/takes").json["items"] == []


def test_a_full_queue_refuses_for_now_and_keeps_nothing_of_it(tmp_path: Path) -> None:
    with running_service(tmp_path, max_waiting_takes=1) as service:
        service.sent(strums_wav())
        answer = service.send(strums_wav(count=2))
        body = assert_problem(answer, 429, "too-many-waiting")
        assert "the limit is 1" in body["detail"]
        assert int(answer.headers["Retry-After"]) > 0
        assert len(service.client.get("/v1/takes").json["items"]) == 1


@pytest.mark.parametrize("question", ["id=", "id=,,,", "state=", "state=%20,", "id=&id="])
@pytest.mark.parametrize("address", ["/v1/takes", "/v1/table", "/v1/table?format=csv"])
def test_a_filter_that_is_given_and_empty_is_refused(service: Service, address: str, question: str) -> None:
    answer = service.client.get(f"{address}{'&' if '?' in address else '?'}{question}")
    body = assert_problem(answer, 422, "invalid-request")
    assert [error["field"] for error in body["errors"]] == [question.partition("=")[0]]


UNKNOWN = "01890000-0000-7000-8000-000000000000"


@pytest.mark.parametrize(
    ("method", "address", "body"),
    [
        ("GET", "", None),
        ("DELETE", "", None),
        ("PATCH", "", {"about": {}}),
        ("GET", "/measurement", None),
        ("POST", "/measurement", {}),
        ("GET", "/audio", None),
    ],
)
@pytest.mark.parametrize("take_id", [UNKNOWN, "x", "%00", "%F0%9F%8E%B8", "..%2f..", "a" * 3000, "' OR 1=1 --"])
def test_an_unknown_take_is_not_found_whatever_its_id(
    service: Service, method: str, address: str, body: Any, take_id: str
) -> None:
    answer = service.client.open(f"/v1/takes/{take_id}{address}", method=method, json=body)
    slug = "not-found" if take_id == "..%2f.." else "take-not-found"
    assert_problem(answer, 404, slug)


REJECTED: list[tuple[str, bytes, str]] = [
    ("NaN", with_value(float("nan")), "not-finite"),
    ("infinity", with_value(float("inf")), "not-finite"),
    ("one sample", pcm16(np.full(1, 0.5)), "too-short"),
    ("silence", pcm16(np.zeros(96_000)), "no-strums"),
    ("two channels that differ", pcm16(np.stack([strums(), np.roll(strums(), 24_000)], axis=1)), "channel-choice"),
]


@pytest.mark.parametrize(("content", "code"), [row[1:] for row in REJECTED], ids=[row[0] for row in REJECTED])
def test_a_recording_that_cannot_be_measured_is_rejected_with_the_reason(
    service: Service, content: bytes, code: str
) -> None:
    take = service.measured(content)
    assert (take["state"], take["problem"]["type"]) == ("rejected", f"/problems/{code}")
    answer = service.client.get(take["links"]["measurement"])
    body = assert_problem(answer, 422, code)
    assert body["detail"] == take["problem"]["detail"]
    assert body["checks"][-1]["code"] == code
    assert service.client.get(body["type"]).json["title"] == body["title"]


CAUTIONED: list[tuple[str, bytes]] = [
    ("cut in the middle", cut(strums_wav(), 0.7)),
    ("claims gigabytes", wav(PLAIN, chunk(b"data", strums_wav()[44:], size=3_000_000_000))),
]


@pytest.mark.parametrize("content", [row[1] for row in CAUTIONED], ids=[row[0] for row in CAUTIONED])
def test_a_truncated_recording_is_measured_as_far_as_it_goes_and_says_so(service: Service, content: bytes) -> None:
    take = service.measured(content)
    assert take["state"] == "measured", take["problem"]
    measurement = service.client.get(take["links"]["measurement"]).json
    assert "truncated-file" in [check["code"] for check in measurement["checks"]]
    assert measurement["strums"]
