"""/readyz while parts hang: it answers all the same, names the part, tells no password, and can't wear out a store."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench_service import readiness
from coilbench_service.bench import Bench
from coilbench_worker.configuration import Configuration
from http_service import Service, assert_problem
from http_service import service as running_service
from services import RedisServer, wait_until

pytestmark = pytest.mark.xdist_group("redis")


@pytest.fixture
def own_redis() -> Iterator[RedisServer]:
    server = RedisServer()
    server.start()
    yield server
    server.close()


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look anew each time, and be patient for a moment only."""
    monkeypatch.setattr(readiness, "AGREES_FOR_S", 0.0)
    monkeypatch.setattr(readiness, "LOOK_WITHIN_S", 1.0)


def faults(service: Service) -> dict[str, str]:
    body = assert_problem(service.client.get("/readyz"), 503, "not-ready")
    return {error["field"]: error["message"] for error in body["errors"]}


@pytest.mark.usefixtures("hurried")
def test_a_frozen_broker_is_named_and_does_not_freeze_the_answer(tmp_path: Path, own_redis: RedisServer) -> None:
    with running_service(tmp_path, broker_url=own_redis.url) as service:
        assert set(faults(service)) == {"worker"}
        own_redis.freeze()
        named = faults(service)
        assert set(named) == {"broker", "worker"}
        assert "no answer" in named["broker"] or "does not answer" in named["broker"]
        own_redis.thaw()
        wait_until(lambda: set(faults(service)) == {"worker"}, "the broker is there again")


@pytest.mark.usefixtures("hurried")
def test_a_stalled_store_is_named_and_looked_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free, begun = threading.Event(), []

    def stalled() -> None:
        begun.append(1)
        free.wait(60)

    with running_service(tmp_path) as service:
        monkeypatch.setattr(service.bench.blobs, "ping", stalled)
        for _ in range(3):
            assert "gave no answer within 1 s" in faults(service)["storage"]
        assert len(begun) == 1
        free.set()
        wait_until(lambda: "storage" not in faults(service), "the store is there again")


def test_a_database_that_takes_connections_and_says_nothing_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readiness, "LOOK_WITHIN_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        address = f"127.0.0.1:{mute.getsockname()[1]}"
        url = f"postgresql://bench:hush@{address}/bench"
        bench = Bench.of(Configuration(data=tmp_path, database_url=url))
        found = {part.name: part for part in readiness.parts(bench)}
        assert "gave no answer" in str(found["database"].fault)
        assert found["worker"].fault == "can't be seen while the database is not ready"
        assert found["storage"].fault is None
        assert "hush" not in str(found)
        bench.close()


def test_many_who_ask_at_once_cause_one_look(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readiness, "AGREES_FOR_S", 3600.0)
    begun: list[int] = []
    with running_service(tmp_path) as service:
        monkeypatch.setattr(service.bench.blobs, "ping", lambda: begun.append(1))
        asking = [threading.Thread(target=lambda: service.client.get("/readyz")) for _ in range(8)]
        for thread in asking:
            thread.start()
        for thread in asking:
            thread.join()
        assert len(begun) == 1


def test_with_keys_needed_nobody_without_one_sees_what_the_service_is_made_of(tmp_path: Path) -> None:
    with running_service(tmp_path, keys="always") as service:
        for path in ("/readyz", "/metrics"):
            answer = service.client.get(path)
            assert_problem(answer, 401, "key-missing")
            assert "storage" not in answer.text
        assert service.client.get("/healthz").json == {"alive": True}
