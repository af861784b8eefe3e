"""Clients and networks that break off, stall or crawl in the middle of an upload: nothing half kept, others served."""

from __future__ import annotations

import json
import shutil
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests
from urllib3 import encode_multipart_formdata

from coilbench_worker.configuration import Configuration
from coilbench_worker.store.database import Database
from fault_proxy import FaultProxy
from http_recordings import strums_wav
from running_program import program
from served import served_service
from services import wait_until
from small_disk import small_disk

TAKES = "/v1/takes"
STALLED_CLIENTS = 40
"""More than the server has threads."""

Ask = Callable[..., requests.Response]


def ask_at(address: str) -> Ask:
    """Requests to a server, each on a connection of its own."""

    def ask(method: str, path: str, **options: object) -> requests.Response:
        return requests.request(method, address + path, timeout=60, **options)  # type: ignore[arg-type]

    return ask


def migrated(folder: Path) -> Path:
    """The folder, with a database of this version in it."""
    database = Database(Configuration(data=folder / "data").database)
    database.migrate()
    database.close()
    return folder


@pytest.fixture(params=["body as it comes", "body collected"])
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Address of the service, behind a server that hands on a body as it comes, and one that collects it first."""
    if request.param == "body as it comes":
        with served_service(tmp_path / "data") as (_, address):
            yield address
    else:
        with program("api", migrated(tmp_path)) as running:
            yield running.address


def begun_upload(address: str, content: bytes, part: int) -> socket.socket:
    """A connection on which the first `part` bytes of an upload were sent."""
    body, content_type = encode_multipart_formdata({"file": ("take.wav", content)})
    parts = urlsplit(address)
    connection = socket.create_connection((parts.hostname, parts.port), timeout=60)
    head = f"POST {TAKES} HTTP/1.1\r\nHost: {parts.netloc}\r\nContent-Type: {content_type}\r\n"
    connection.sendall(f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body[:part])
    return connection


def reset(connection: socket.socket) -> None:
    """Break a connection off, as when a cable is pulled out of a machine that still answers."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


def incoming(folder: Path) -> list[Path]:
    """Recordings on their way in."""
    return list((folder / "data" / "audio" / "incoming").glob("*"))


def recordings(folder: Path) -> list[Path]:
    """All files of the store of recordings."""
    return [path for path in (folder / "data" / "audio").rglob("*") if path.is_file()]


@pytest.mark.parametrize("end", [socket.socket.close, reset], ids=["closed", "reset"])
def test_a_client_that_drops_in_mid_upload_leaves_nothing_and_others_are_served_meanwhile(
    served: str, tmp_path: Path, end: Callable[[socket.socket], None], request: pytest.FixtureRequest
) -> None:
    ask, good = ask_at(served), strums_wav()
    connection = begun_upload(served, good, len(good) // 2)
    if "as it comes" in request.node.callspec.params["served"]:
        wait_until(lambda: incoming(tmp_path), "the first half is written")
    sent = ask("POST", TAKES, files={"file": ("other.wav", strums_wav(count=4))})
    assert sent.status_code == 202
    end(connection)
    wait_until(lambda: not incoming(tmp_path), "the first half is dropped")
    assert [take["id"] for take in ask("GET", TAKES).json()["items"]] == [sent.json()["id"]]
    assert [path.name for path in recordings(tmp_path)] == [sent.json()["file"]["sha256"]]
    assert ask("POST", TAKES, files={"file": ("take.wav", good)}).status_code == 202


def test_clients_that_stall_in_mid_upload_hold_nobody_else_up(tmp_path: Path) -> None:
    good = strums_wav()
    with program("api", migrated(tmp_path)) as running, ExitStack() as stack:
        for number in range(STALLED_CLIENTS):
            stack.enter_context(begun_upload(running.address, good, 1000 + number * 5000))
        sent = running.ask("POST", TAKES, files={"file": ("take.wav", good)})
        assert sent.status_code == 202
        assert running.ask("GET", sent.json()["links"]["audio"]).content == good
        stack.close()
        assert len(running.ask("GET", TAKES).json()["items"]) == 1
        assert (len(recordings(tmp_path)), incoming(tmp_path)) == (1, [])


def test_a_network_that_crawls_breaks_off_or_loses_the_answer_costs_no_take_and_makes_none_twice(
    served: str, tmp_path: Path
) -> None:
    ask, good = ask_at(served), strums_wav()
    key = {"Idempotency-Key": "the-same-take"}
    with FaultProxy(urlsplit(served).port or 0) as proxy:
        through = ask_at(proxy.url)
        proxy.cut(after_up=100_000)
        with pytest.raises(requests.ConnectionError):
            through("POST", TAKES, files={"file": ("take.wav", good)}, headers=key)
        wait_until(lambda: not incoming(tmp_path), "what came is dropped")
        assert ask("GET", TAKES).json()["items"] == []
        proxy.cut(after_down=0)
        with pytest.raises(requests.ConnectionError):
            through("POST", TAKES, files={"file": ("take.wav", good)}, headers=key)
        wait_until(lambda: ask("GET", TAKES).json()["items"], "the take is accepted, which its sender can't know")
        proxy.slow(400_000)
        answers: list[requests.Response] = []
        sender = threading.Thread(
            target=lambda: answers.append(through("POST", TAKES, files={"file": ("take.wav", good)}, headers=key))
        )
        sender.start()
        assert ask("GET", TAKES).status_code == 200
        sender.join()
    (take,) = ask("GET", TAKES).json()["items"]
    assert (answers[0].status_code, answers[0].json()["id"]) == (202, take["id"])
    assert [path.name for path in recordings(tmp_path)] == [take["file"]["sha256"]]


def test_a_server_without_room_to_collect_a_body_refuses_it_and_goes_on(tmp_path: Path) -> None:
    long = strums_wav(count=8)  # more than the server collects in memory
    with (
        small_disk(migrated(tmp_path) / "data" / "passing", 4) as disk,
        program("api", tmp_path) as running,
    ):
        first = running.ask("POST", TAKES, files={"file": ("first.wav", strums_wav(count=9))}).json()
        wait_until(lambda: shutil.disk_usage(disk.folder).used == 0, "the first body is let go")
        disk.fill()
        refused = running.ask("POST", TAKES, files={"file": ("long.wav", long)})
        assert (refused.status_code, refused.json()["type"]) == (507, "/problems/storage-full")
        assert [take["id"] for take in running.ask("GET", TAKES).json()["items"]] == [first["id"]]
        assert len(recordings(tmp_path)) == 1
        assert running.ask("POST", TAKES, files={"file": ("take.wav", strums_wav())}).status_code == 202
        disk.make_room()
        assert running.ask("POST", TAKES, files={"file": ("long.wav", long)}).status_code == 202
        wait_until(lambda: shutil.disk_usage(disk.folder).used == 0, "the last body is let go")
        levels = {json.loads(line)["level"] for line in running.log.read_text().splitlines()}
        assert "error" not in levels
