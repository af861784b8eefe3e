"""The service under fire: while each attack goes on somebody polite is served, and after it nothing is left of it.

Against `coilbench-server api`, and gunicorn behind nginx as docker-compose.yml has them. `make soak` fires more.
"""

from __future__ import annotations

import os
import re
import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest
import requests
from urllib3 import encode_multipart_formdata

from coilbench_service.bench import WAITING_PLACES
from coilbench_worker.configuration import Configuration
from coilbench_worker.store.database import Database
from faults import target as targets
from faults.crowd import Manner, held
from faults.hostile_requests import WAITING, Shot, shots
from faults.polite import RECORDING, served_meanwhile
from faults.target import Target
from http_recordings import pcm16, sine
from services import wait_until
from stored_takes import document, entered

TIMES = int(os.environ.get("COILBENCH_TEST_FIRE", "1"))
"""How many times as much; `make soak` says 20."""
SLOW = 300 if TIMES == 1 else 2_000
MANY = 500 * TIMES
UPLOADS = 200
ROUNDS = 5 if TIMES == 1 else 15
TRIES = 200
ASKING = 24
"""Who ask costly questions, one after another."""
PICKUPS, TAKES_OF_EACH = 6, 4
COSTLY_BYTES = 600 * 1024 * 1024
"""For what draws, counts and sets type, which is loaded with the first question."""

pytestmark = pytest.mark.xdist_group("under fire")


@pytest.fixture(scope="module", params=["waitress", "gunicorn"])
def target(request: pytest.FixtureRequest) -> Iterator[Target]:
    with getattr(targets, request.param)() as made:
        yield made


def head(target: Target, line: str, *fields: str, end: bool = True) -> bytes:
    """A request line and headers of somebody with a key."""
    shown = f"Authorization: {target.shown['Authorization']}"
    return "\r\n".join([f"{line} HTTP/1.1", "Host: localhost", shown, *fields, *(["", ""] if end else [])]).encode()


def test_a_recording_comes_back_byte_for_byte(target: Target) -> None:
    content = pcm16(sine(440.0, seconds=3.0))
    take = target.ask("POST", "/v1/takes", files={"file": ("whole.wav", content)}).json()
    audio = f"/v1/takes/{take['id']}/audio"
    assert target.ask("GET", audio).content == content
    for form, begins in {"xlsx": b"PK", "parquet": b"PAR1", "csv": b"take"}.items():
        assert target.ask("GET", f"/v1/table?format={form}").content.startswith(begins), form
    part = target.ask("GET", audio, headers={"Range": "bytes=5000-9999"})
    assert (part.status_code, part.content) == (206, content[5000:10000])


def test_slow_connections_shut_nobody_out(target: Target) -> None:
    large = target.ask("POST", "/v1/takes", files={"file": ("large.wav", pcm16(sine(seconds=40.0)))}).json()
    body = ("Content-Type: multipart/form-data; boundary=x", "Content-Length: 1000000")
    manners = [
        Manner(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Slow: ", b"y"),
        Manner(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n"),
        Manner(head(target, "POST /v1/takes", *body) + b'--x\r\nContent-Disposition: form-data; name="file"', b"y"),
        Manner(head(target, f"GET /v1/takes/{large['id']}/audio") * 4, reads=False),
    ]
    with target.unharmed(), served_meanwhile(target, f"{SLOW} slow connections") as polite:
        polite.wait(1)
        with held(target, manners, SLOW) as crowd:
            crowd.wait(3)
            polite.wait(ROUNDS)
            print(f"{target.name}: {crowd.made} slow connections made, {crowd.open} held")


def test_open_waits_have_their_places_and_everybody_else_is_answered(target: Target) -> None:
    take = target.ask("POST", "/v1/takes", files={"file": ("wait.wav", RECORDING)}).json()
    address = f"/v1/takes/{take['id']}"
    asks = head(target, f"GET {address}", "Prefer: wait=60", "Connection: close")
    with (
        target.unharmed(),
        served_meanwhile(target, f"{MANY} open waits") as polite,
        held(target, [Manner(asks)], MANY, again=False) as crowd,
    ):
        polite.wait(ROUNDS)
        wait_until(lambda: len(crowd.answers) >= MANY - WAITING_PLACES, "those without a place are answered", 240.0)
        assert target.ask("DELETE", address).status_code == 204
        wait_until(lambda: len(crowd.answers) >= MANY, "those with a place hear that it is gone", 240.0)
        polite.wait(1)
    whole = [answer for answer in crowd.answers if answer]
    waited = [answer for answer in whole if b"preference-applied" in answer.lower() or b" 404 " in answer[:20]]
    statuses = {answer.split(b" ", 2)[1] for answer in whole}
    print(f"{target.name}: {len(whole)} of {MANY} waits answered, {len(waited)} had waited, {statuses}")
    assert len(whole) == MANY
    assert statuses <= {b"200", b"404"}
    assert len(waited) >= WAITING_PLACES
    assert len(whole) - len(waited) > len(waited) or TIMES > 1


def test_idle_connections_shut_nobody_out(target: Target) -> None:
    manners = [Manner(b""), Manner(b"GET /healthz HTTP/1.1\r\nHost: loc")]
    with (
        target.unharmed(),
        served_meanwhile(target, f"{MANY} idle connections") as polite,
        held(target, manners, MANY, again=False) as crowd,
    ):
        crowd.wait(1)
        polite.wait(ROUNDS)
        print(f"{target.name}: {crowd.made} idle connections made, {crowd.open} left")


def test_many_uploads_at_once_are_each_taken_once_or_told_to_come_again(target: Target) -> None:
    refused: list[requests.Response] = []

    def send(number: int) -> str:
        content = pcm16(sine(100.0 + number, seconds=0.25))
        for _ in range(TRIES):
            body, kind = encode_multipart_formdata({"file": (f"at-once-{number}.wav", content)})
            fields = {"Content-Type": kind, "Idempotency-Key": f"at-once-{number}"}
            answer = target.ask("POST", "/v1/takes", data=body, headers=fields)
            if answer.status_code == 202:
                return str(answer.json()["id"])
            refused.append(answer)
            assert answer.status_code in (429, 503), answer.text
            threading.Event().wait(int(answer.headers["Retry-After"]))
        raise AssertionError(f"{number} was told to come again {TRIES} times")

    with target.unharmed(), served_meanwhile(target, f"{UPLOADS} uploads at once", TRIES) as polite:
        with ThreadPoolExecutor(UPLOADS) as pool:
            sent = list(pool.map(send, range(UPLOADS)))
        polite.wait(1)
    kept, page = list[str](), target.ask("GET", "/v1/takes?limit=500").json()
    while True:
        kept += [take["id"] for take in page["items"] if take["file"]["name"].startswith("at-once-")]
        if page["next"] is None:
            break
        page = target.ask("GET", page["next"]).json()
    print(f"{target.name}: {len(sent)} uploads accepted, {len(refused)} times told to come again")
    assert sorted(kept) == sorted(sent)
    assert len(set(sent)) == UPLOADS


def test_hostile_requests_are_refused_and_shut_nobody_out(target: Target) -> None:
    take = target.ask("POST", "/v1/takes", files={"file": ("aim.wav", RECORDING)}).json()
    fired = list(shots(target.key, take["id"]))
    with target.unharmed(), served_meanwhile(target, f"{len(fired)} hostile requests") as polite:
        with ThreadPoolExecutor(8) as pool:
            answers = list(pool.map(lambda shot: fire(target, shot), fired))
        polite.wait(1)
    statuses = [status_of(answer) for answer in answers]
    wrong = {
        shot.name: status
        for shot, status in zip(fired, statuses, strict=True)
        if status not in shot.may and not (status == 0 and WAITING in shot.may)
    }
    injected = [shot.name for shot, answer in zip(fired, answers, strict=True) if INJECTED.search(_head(answer))]
    print(f"{target.name}: {sorted(Counter(statuses).items())}")
    assert wrong == {}
    assert injected == []
    assert "/v1/smuggled" not in target.log()


QUESTIONS = (
    ("POST", "/v1/comparisons"),
    ("GET", "/v1/sessions/fire/report"),
    ("GET", "/v1/sessions/fire/report?format=pdf"),
    ("GET", "/v1/charts/bands?" + "&".join(f"pickup=fire-{number}" for number in range(PICKUPS))),
    ("GET", "/v1/charts/intervals?baseline=fire-0&quantity=rms_dbfs&format=png"),
    ("GET", "/v1/table?format=xlsx"),
    ("GET", "/v1/table?per=strum&shape=long&format=csv"),
    ("GET", "/v1/table?per=pickup&format=csv"),
)


def test_costly_questions_starve_nobody(target: Target) -> None:
    database = Database(Configuration(data=target.folder).database)
    try:
        for number in range(PICKUPS * TAKES_OF_EACH):
            about = {"pickup": f"fire-{number % PICKUPS}", "session": "fire", "label": f"take {number}"}
            measured = document([-20.0 - number % PICKUPS - strum / 8 for strum in range(4)])
            measured["audio"]["encoding"] = "PCM_16"
            entered(database, about, measured, name=f"{number}.wav")
    finally:
        database.close()
    answered, over = Counter[int](), threading.Event()

    def ask(number: int) -> None:
        while not over.is_set():
            method, path = QUESTIONS[number % len(QUESTIONS)]
            body = {"baseline": "fire-0"} if method == "POST" else None
            answered[target.ask(method, path, json=body).status_code] += 1

    with target.unharmed(memory_bytes=COSTLY_BYTES):
        with served_meanwhile(target, f"{ASKING} with costly questions") as polite, ThreadPoolExecutor(ASKING) as pool:
            asking = [pool.submit(ask, number) for number in range(ASKING)]
            try:
                polite.wait(ROUNDS)
            finally:
                over.set()
            for each in asking:
                each.result()
        wait_until(lambda: target.ask("GET", "/healthz").ok, "it answers")
    print(f"{target.name}: costly questions {sorted(answered.items())}")
    assert set(answered) <= {200, 429, 503}
    assert answered[200] >= len(QUESTIONS)


INJECTED = re.compile(rb"(?i)[\r\n]+x-injected")
WAITED_S = 1.0
"""For an answer where the server may want more first; when there is one later nobody hears it."""
LENGTH = re.compile(rb"(?i)\r\ncontent-length: *([0-9]+)")


def fire(target: Target, shot: Shot) -> bytes:
    """What was answered to one shot at the server itself: one answer, or all of the connection where it must end."""
    answer = b""
    with target.connect(behind=True) as connection:
        with suppress(OSError):
            connection.sendall(shot.request)
        if WAITING in shot.may:
            connection.settimeout(WAITED_S)
        while True:
            try:
                piece = connection.recv(65536)
            except TimeoutError as error:
                if not answer and WAITING in shot.may:
                    return b""  # nothing of the connection is known but that it holds nobody up
                raise AssertionError(f"{shot.name}: no answer, and no end, after {answer[:300]!r}") from error
            except OSError:
                piece = b""
            answer += piece
            if not piece or (not shot.closes and _is_whole(answer)):
                return answer


def status_of(answer: bytes) -> int:
    """Of the answer; 0 where there was none."""
    found = re.match(rb"HTTP/1\.[01] ([0-9]{3})", answer)
    return int(found[1]) if found else 0


def _head(answer: bytes) -> bytes:
    return answer.partition(b"\r\n\r\n")[0]


def _is_whole(answer: bytes) -> bool:
    head, end, body = answer.partition(b"\r\n\r\n")
    length = LENGTH.search(head)
    if status_of(answer) == 304:
        return bool(end)
    return bool(end) and length is not None and len(body) >= int(length[1])
