"""The server as a process: ready when it says so, bounded in memory, ended cleanly, its own refusals problems too."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psutil
import pytest
import requests
from requests_toolbelt import MultipartEncoder

from coilbench_service import key_changes
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import takes
from coilbench_worker.store.database import Database
from http_recordings import strums_wav
from running_program import DEADLINE_S, NO_BROKER, Program, program
from services import wait_until


def migrated(folder: Path) -> Path:
    """The folder, with a database of this version in it."""
    database = Database(Configuration(data=folder / "data").database)
    database.migrate()
    database.close()
    return folder


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    """Only the HTTP part, on a migrated folder."""
    with program("api", migrated(tmp_path_factory.mktemp("api")), COILBENCH_MAX_UPLOAD_BYTES="200000000") as running:
        yield running


def upload(running: Program, file: Path, **headers: str) -> requests.Response:
    """Send a file as a stream."""
    with file.open("rb") as opened:
        body = MultipartEncoder({"file": (file.name, opened, "audio/wav")})
        named = {
            "Content-Type": body.content_type,
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        return running.ask("POST", "/v1/takes", data=body, headers=named)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_up_measures_says_one_line_and_ends_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    file = tmp_path / "take.wav"
    file.write_bytes(strums_wav())
    with program("up", tmp_path) as running:
        answer = upload(running, file, Prefer="wait=50")
        assert (answer.status_code, answer.json()["state"]) == (201, "measured"), answer.text
        ready = running.ask("GET", "/readyz")
        assert ready.json()["ready"] is True
        numbers = running.ask("GET", "/metrics").text.splitlines()
        assert 'coilbench_takes_ended_total{state="measured"} 1.0' in numbers, "counted in a measuring process"
        assert 'coilbench_stage_seconds_count{stage="receive"} 1.0' in numbers
        running.process.send_signal(number)
        assert running.process.wait(DEADLINE_S) == 0
        assert running.process.stdout.read() == ""  # type: ignore[union-attr]
    for line in running.log.read_text().splitlines():
        assert json.loads(line)["level"] in ("info", "warning"), line


def test_told_to_end_with_takes_in_hand_it_takes_no_more_connections_and_hands_back(tmp_path: Path) -> None:
    with program("up", tmp_path) as running:
        for number in range(6):
            file = tmp_path / f"{number}.wav"
            file.write_bytes(strums_wav() + bytes(number))
            assert upload(running, file).status_code == 202
        address = running.address.removeprefix("http://").split(":")
        running.process.send_signal(signal.SIGTERM)

        def turned_away() -> bool:
            try:
                socket.create_connection((address[0], int(address[1])), timeout=DEADLINE_S).close()
            except ConnectionRefusedError:
                return True
            return False

        wait_until(turned_away, "connections are refused", every_s=0.005)
        assert running.process.poll() is None, "it listens no more while it still ends its work"
        assert running.process.wait(DEADLINE_S) == 0
    database = Database(Configuration(data=tmp_path / "data").database)
    with database.read() as connection:
        counts = takes.counts(connection)
    database.close()
    assert counts["measured"] + counts["waiting"] == 6, counts


def test_a_large_recording_passes_through_little_memory(api: Program, tmp_path: Path) -> None:
    size = 120_000_000
    file = tmp_path / "large.wav"
    with file.open("wb") as made:
        made.write(strums_wav())
        made.truncate(size)
    with api.watched() as coming:
        answer = upload(api, file)
    assert answer.status_code == 202, answer.text
    assert answer.json()["file"]["bytes"] == size
    with api.watched() as going, api.ask("GET", answer.json()["links"]["audio"], stream=True) as sound:
        received = 0
        for piece in sound.iter_content(1 << 20):
            received += len(piece)
            going.append(psutil.Process(api.process.pid).memory_info().rss)  # however fast the machine is
        assert received == size
    for seen in (coming, going):
        assert len(seen) > 20
        assert max(seen) - coming[0] < size / 6


def test_a_body_past_the_limit_is_refused_before_it_is_read(api: Program) -> None:
    head = b"POST /v1/takes HTTP/1.1\r\nHost: localhost\r\nContent-Type: multipart/form-data; boundary=x\r\n"
    status, body = api.raw(head + b"Content-Length: 99999999999\r\n\r\n")
    assert (status, body["type"]) == (b"HTTP/1.1 413 Request Entity Too Large", "/problems/too-large")
    assert body["detail"] == "The recording has more than 200000000 bytes, which is the most that is taken."
    assert "COILBENCH_MAX_UPLOAD_BYTES" in body["advice"]


def test_a_body_that_grows_past_the_limit_without_having_said_so_is_refused_in_the_same_words(tmp_path: Path) -> None:
    with program("api", migrated(tmp_path), COILBENCH_MAX_UPLOAD_BYTES="100000") as small:
        pieces = (bytes(65_536) for _ in range(100))
        headers = {"Content-Type": "multipart/form-data; boundary=x"}
        answer = small.ask("POST", "/v1/takes", data=pieces, headers=headers)
    assert (answer.status_code, answer.json()["type"]) == (413, "/problems/too-large")
    assert answer.json()["detail"] == "The recording has more than 100000 bytes, which is the most that is taken."


@pytest.mark.parametrize(
    ("request_bytes", "slug", "words"),
    [
        (b"GET http://[::1/ HTTP/1.1\r\nHost: localhost\r\n\r\n", "broken-request", "is not HTTP."),
        (b"GARBAGE\r\n\r\n", "broken-request", "is not HTTP."),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"y" * 262_144, "headers-too-large", "more than 262144 bytes"),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: many\r\n\r\n", "broken-request", "is not HTTP."),
    ],
)
def test_what_the_server_itself_refuses_is_a_problem_in_our_words(
    api: Program, request_bytes: bytes, slug: str, words: str
) -> None:
    _, body = api.raw(request_bytes)
    assert body["type"] == f"/problems/{slug}"
    assert words in body["detail"]
    assert {"title", "status", "detail", "advice"} <= set(body)


@pytest.mark.parametrize(
    ("field", "status_line", "slug", "words"),
    [
        (b"Transfer-Encoding: gzip", b"HTTP/1.1 501 Not Implemented", "unknown-transfer-coding", "chunked"),
        (b"Transfer-Encoding: gzip, chunked", b"HTTP/1.1 501 Not Implemented", "unknown-transfer-coding", "chunked"),
        (b"Content-Length: " + b"9" * 5000, b"HTTP/1.1 400 Bad Request", "broken-request", "is not HTTP."),
        (b"Content-Length: 00000000000000000000000000x", b"HTTP/1.1 400 Bad Request", "broken-request", "is not HTTP."),
    ],
)
def test_a_framing_that_is_not_taken_is_refused_with_one_status(
    api: Program, field: bytes, status_line: bytes, slug: str, words: str
) -> None:
    head = b"POST /v1/takes HTTP/1.1\r\nHost: localhost\r\nContent-Type: multipart/form-data; boundary=x\r\n"
    line, body = api.raw(head + field + b"\r\n\r\n")
    assert (line, body["type"]) == (status_line, f"/problems/{slug}")
    assert body["status"] == int(line.split()[1])
    assert words in body["detail"] + body["advice"]
    assert api.ask("GET", body["type"]).json()["status"] == body["status"]


@pytest.mark.parametrize("bytes_sent", [b"", b"GET /healthz HTTP/1.1\r\nHost: loc"], ids=["silent", "half a request"])
def test_many_idle_connections_shut_nobody_out(api: Program, bytes_sent: bytes) -> None:
    host, port = api.address.removeprefix("http://").split(":")
    with ExitStack() as idle:
        for _ in range(300):
            connection = idle.enter_context(socket.create_connection((host, int(port)), timeout=DEADLINE_S))
            connection.sendall(bytes_sent)
        assert api.ask("GET", "/healthz").json() == {"alive": True}


def test_many_who_wait_leave_room_for_others_and_go_when_the_service_ends(tmp_path: Path) -> None:
    with program("api", migrated(tmp_path)) as running:
        _many_wait(running, tmp_path)


def _many_wait(api: Program, tmp_path: Path) -> None:
    file = tmp_path / "take.wav"
    file.write_bytes(strums_wav())
    take = upload(api, file).json()
    answers: list[requests.Response] = []

    def wait() -> None:
        answers.append(api.ask("GET", take["links"]["self"], headers={"Prefer": "wait=60"}))

    waiters = [threading.Thread(target=wait) for _ in range(40)]
    for waiter in waiters:
        waiter.start()
    assert api.ask("GET", "/healthz").json() == {"alive": True}
    poll = threading.Event()
    for _ in range(DEADLINE_S * 20):  # those past the cap are answered at once, as RFC 7240 allows
        if len(answers) >= 24:
            break
        poll.wait(0.05)
    assert api.ask("GET", "/healthz").json() == {"alive": True}
    assert [answer.headers.get("Preference-Applied") for answer in answers] == [None] * 24
    api.process.terminate()
    for waiter in waiters:
        waiter.join(DEADLINE_S)
    assert api.process.wait(DEADLINE_S) == 0
    assert {answer.json()["state"] for answer in answers} == {"waiting"}


def test_an_address_in_use_is_said_in_words(api: Program, tmp_path: Path) -> None:
    server = str(Path(sys.executable).parent / "coilbench-server")
    settings = {
        "COILBENCH_DATA": str(migrated(tmp_path) / "data"),
        "COILBENCH_LISTEN": api.address.removeprefix("http://"),
        "COILBENCH_BROKER_URL": NO_BROKER,
    }
    second = subprocess.run(
        [server, "api"], env={**os.environ, **settings}, capture_output=True, text=True, check=False
    )
    assert (second.returncode, second.stdout) == (1, "")
    assert "Can't listen on 127.0.0.1" in second.stderr
    assert "COILBENCH_LISTEN" in second.stderr
    assert "Traceback" not in second.stderr


def test_a_service_with_keys_says_how_to_make_the_first_and_heeds_at_once_what_becomes_of_it(
    tmp_path: Path,
) -> None:
    with program("api", migrated(tmp_path), COILBENCH_KEYS="always") as running, keys_of(tmp_path) as database:
        assert running.ask("GET", "/healthz").json() == {"alive": True}
        assert running.ask("GET", "/v1/takes").status_code == 401
        key, _ = key_changes.make(database, "screen", ["read"])
        shown = {"Authorization": f"Bearer {key.text}"}
        assert running.ask("GET", "/v1/takes", headers=shown).json() == {"items": [], "next": None}
        assert running.ask("DELETE", "/v1/words/x", headers=shown).status_code == 403
        assert (
            running.ask("GET", f"/v1/takes/{key.text}", headers={**shown, "X-Request-Id": key.text}).status_code == 404
        )
        key_changes.revoke(database, key.id)
        refused = running.ask("GET", "/v1/takes", headers=shown)
        assert (refused.status_code, "revoked" in refused.json()["detail"]) == (401, True)
    lines = [json.loads(line) for line in running.log.read_text().splitlines()]
    assert "coilbench-server key make" in lines[0]["event"]
    assert key.id in [line.get("key") for line in lines]
    assert key.secret not in running.log.read_text()


@contextmanager
def keys_of(folder: Path) -> Iterator[Database]:
    """The database of a service, from another process."""
    database = Database(Configuration(data=folder / "data").database)
    try:
        yield database
    finally:
        database.close()


def test_what_a_proxy_passes_on_is_seen_and_refused_where_no_keys_are_needed(api: Program) -> None:
    answer = api.ask("GET", "/v1/takes", headers={"X-Forwarded-For": "198.51.100.7"})
    assert (answer.status_code, answer.json()["type"]) == (403, "/problems/behind-a-proxy")
