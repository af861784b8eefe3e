"""docker-compose.yml from end to end without a container engine: its commands with its environments, all real."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest
import requests

from coilbench import Client
from coilbench.errors import NotPermitted
from coilbench_service.bench import SERVER_THREADS
from composed import Composed
from services import wait_until
from working import recording

pytestmark = pytest.mark.xdist_group("compose")

TAKES = 12
APIS = ("api-1", "api-2")
WORKERS = 3
LONGER_THAN_GRACE_S = 50  # which gunicorn gives requests in hand


@pytest.fixture(scope="module")
def composed() -> Iterator[Composed]:
    """Everything in the order in which the file makes one wait for the other."""
    composed = Composed(workers=WORKERS)
    try:
        for name in ("redis", "postgres", "store"):
            composed.start(name)
        for name in ("redis", "postgres", "store"):
            composed.wait_until_well(name)
        assert "recordings" in composed.once("bucket")
        assert "recordings" in composed.once("bucket")  # at every start
        assert "revision" in composed.once("migrate")
        parts = (*APIS, *composed.workers)
        for name in parts:
            composed.start(name)
        for name in parts:
            composed.wait_until_well(name)
        composed.start("proxy")
        composed.wait_until_well("proxy")
        yield composed
    finally:
        composed.close()


@pytest.fixture(scope="module")
def key(composed: Composed) -> str:
    """A key, made by the command that the file's first lines name."""
    scopes = [word for scope in ("read", "write") for word in ("--scope", scope)]
    return composed.in_place_of("migrate", "coilbench-server", "key", "make", "desk", *scopes).strip()


def test_takes_sent_to_both_are_measured_by_the_workers_seen_by_both_and_gone_when_deleted(
    composed: Composed, key: str, tmp_path: Path
) -> None:
    for number in range(TAKES):
        (tmp_path / f"take-{number:02}.wav").write_bytes(recording(number))
    files = sorted(tmp_path.glob("*.wav"))
    with Client(composed.api_url("api-1"), key=key) as one, Client(composed.api_url("api-2"), key=key) as two:
        sent = one.send(files[: TAKES // 2]) + two.send(files[TAKES // 2 :])
        ended = two.wait(sent)
        assert [take.state for take in ended] == ["measured"] * TAKES
        assert len(list(two.table(per="take"))) == TAKES
        assert len(list(one.table(per="strum"))) == 3 * TAKES
    with Client(composed.url, key=key) as client:
        for take, file in zip(ended, files, strict=True):
            audio = requests.get(
                f"{composed.url}/v1/takes/{take.id}/audio", headers={"Authorization": f"Bearer {key}"}, timeout=30
            )
            assert audio.content == file.read_bytes()
        for take in ended:
            client.delete(take)
        assert list(client.takes()) == []


def test_who_has_no_key_gets_nothing_but_a_sign_of_life(composed: Composed) -> None:
    assert requests.get(f"{composed.url}/healthz", timeout=30).status_code == 200
    with Client(composed.url, retries=0) as nobody, pytest.raises(NotPermitted):
        list(nobody.takes())


def test_senders_who_stop_half_way_hold_no_thread_of_the_api(composed: Composed, key: str) -> None:
    head = "\r\n".join(
        (
            "POST /v1/takes HTTP/1.1",
            "Host: 127.0.0.1",
            f"Authorization: Bearer {key}",
            "Content-Type: multipart/form-data; boundary=half",
            "Content-Length: 1000000",
            "",
            "--half",
        )
    )
    with ExitStack() as stack:
        for _ in range(3 * SERVER_THREADS):
            sender = stack.enter_context(socket.create_connection(("127.0.0.1", composed.ports["proxy"])))
            sender.sendall(head.encode())
        wait_until(lambda: composed.connections("proxy") >= 3 * SERVER_THREADS, "all senders are there")
        headers = {"Authorization": f"Bearer {key}"}
        answers = [requests.get(f"{composed.url}/v1/takes", headers=headers, timeout=30).status_code for _ in range(10)]
        assert answers == [200] * 10
        assert sum(composed.connections(name) for name in APIS) < SERVER_THREADS


def test_told_to_end_workers_stop_and_an_api_process_answers_those_who_wait_while_the_other_serves(
    composed: Composed, key: str, tmp_path: Path
) -> None:
    assert [composed.stop(name) for name in composed.workers] == [0] * WORKERS
    (tmp_path / "late.wav").write_bytes(recording(TAKES))
    with Client(composed.api_url("api-1"), key=key) as client:
        (sent,) = client.send(tmp_path / "late.wav")
    allowed = {"Authorization": f"Bearer {key}"}
    path, headers = f"/v1/takes/{sent.take.id}", allowed | {"Prefer": f"wait={LONGER_THAN_GRACE_S}"}
    with ThreadPoolExecutor(1) as pool:
        before = composed.connections("api-1")
        waiting = pool.submit(requests.get, composed.api_url("api-1") + path, headers=headers, timeout=90)
        wait_until(lambda: composed.connections("api-1") > before, "the request has arrived")
        assert composed.stop("api-1") == 0
        assert waiting.result().json()["state"] == "waiting"
    answers = [requests.get(composed.url + path, headers=allowed, timeout=30).status_code for _ in range(10)]
    assert answers == [200] * 10
