"""The store of recordings is away, answers nonsense, is slow or cuts what passes; disks are full.

The exact problem, and that all is well when the fault is over: nothing half kept, nothing lost, no orphan after the
sweep.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import requests
from sqlalchemy.exc import OperationalError

from coilbench_worker import measuring
from coilbench_worker.store import blobs as blobs_module
from coilbench_worker.store import bucket, files, takes
from coilbench_worker.store.database import Database
from coilbench_worker.store.orphans import Orphans
from coilbench_worker.workplace import Workplace
from fault_proxy import FaultProxy
from http_recordings import strums_wav
from http_service import Service, assert_problem, service
from running_program import program
from services import S3Server, wait_until
from small_disk import SmallDisk, small_disk

Act = Callable[[FaultProxy], None]

WHILE_SENDING: dict[str, Act] = {
    "nobody listens": lambda proxy: proxy.refuse(),
    "status 500": lambda proxy: proxy.answer(500),
    "status 503": lambda proxy: proxy.answer(503),
    "cut on the way there": lambda proxy: proxy.cut(after_up=20_000),
    "cut before the answer": lambda proxy: proxy.cut(after_down=0),
    "cut in the answer": lambda proxy: proxy.cut(after_down=100),
    "stalled": lambda proxy: proxy.stall(after_up=20_000),
}
WHILE_FETCHING: dict[str, Act] = {
    "nobody listens": lambda proxy: proxy.refuse(),
    "status 500": lambda proxy: proxy.answer(500),
    "cut in the middle": lambda proxy: proxy.cut(after_down=100_000),
    "stalled in the middle": lambda proxy: proxy.stall(after_up=100_000, after_down=100_000),
}


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Faults are given up sooner than in daily life; recordings on their way wait in a folder of this test."""
    monkeypatch.setattr(bucket, "CONNECT_WITHIN_S", 1.0)
    monkeypatch.setattr(bucket, "ANSWER_WITHIN_S", 1.0)
    monkeypatch.setattr(bucket, "TRIES", 2)
    monkeypatch.setattr(measuring, "PAUSES_S", ())
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))


@pytest.fixture
def proxy(s3_server: S3Server) -> Iterator[FaultProxy]:
    """The way to the S3 server."""
    with FaultProxy(s3_server.port) as proxy:
        yield proxy


@pytest.fixture
def far(s3_server: S3Server, s3_folder: str, proxy: FaultProxy, tmp_path: Path) -> Iterator[Service]:
    """The service with its recordings behind the proxy."""
    with service(tmp_path / "data", lease_s=1.0, **s3_server.settings(s3_folder, proxy.url)) as far:
        yield far


@pytest.fixture
def good() -> bytes:
    """A good take."""
    return strums_wav()


def takes_of(service: Service) -> list[Any]:
    """All takes, as they are shown."""
    found: list[Any] = service.client.get("/v1/takes").json["items"]
    return found


def left_here(folder: Path) -> list[Path]:
    """Files on their way in or out of the store."""
    return [path for path in (folder / "temporary").rglob("*") if path.is_file()]


def sweep(service: Service) -> None:
    """What a worker does in its rounds, with every grace run out."""
    service.bench.blobs.drop_stale(-3600)
    Orphans(service.bench.database, service.bench.blobs).find(-3600)
    files.drop_unused(service.bench.database, service.bench.blobs)


def key_of(take: dict[str, Any]) -> str:
    """Key of the recording of a take."""
    sha256: str = take["file"]["sha256"]
    return f"{sha256[:2]}/{sha256}"


@pytest.mark.parametrize("fault", WHILE_SENDING.values(), ids=WHILE_SENDING)
def test_a_take_that_the_store_does_not_take_is_refused_for_now_and_nothing_is_kept(
    far: Service, proxy: FaultProxy, good: bytes, s3_server: S3Server, s3_folder: str, tmp_path: Path, fault: Act
) -> None:
    fault(proxy)
    answer = far.send(good)
    assert_problem(answer, 503, "store-unavailable")
    assert int(answer.headers["Retry-After"]) > 0
    assert (takes_of(far), left_here(tmp_path)) == ([], [])
    proxy.passing()
    take = far.sent(good)
    assert far.work() == ["measured"]
    sweep(far)
    assert s3_server.keys(s3_folder) == [key_of(take)]


def test_a_store_that_goes_away_inside_the_transaction_leaves_no_take_and_no_orphan(
    far: Service, proxy: FaultProxy, good: bytes, s3_server: S3Server, s3_folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = bucket.Bucket.keep

    def goes_away(*call: Any) -> None:
        proxy.refuse()
        keep(*call)

    monkeypatch.setattr(bucket.Bucket, "keep", goes_away)
    assert_problem(far.send(good), 503, "store-unavailable")
    assert takes_of(far) == []
    (left,) = s3_server.keys(s3_folder)
    assert left.startswith("incoming/")
    proxy.passing()
    sweep(far)
    assert s3_server.keys(s3_folder) == []


def test_a_commit_that_fails_after_the_recording_was_kept_leaves_no_orphan(
    far: Service, good: bytes, s3_server: S3Server, s3_folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = bucket.Bucket.keep

    def then_the_database_goes(*call: Any) -> None:
        keep(*call)
        raise OperationalError("COMMIT", {}, Exception("the server closed the connection"))

    monkeypatch.setattr(bucket.Bucket, "keep", then_the_database_goes)
    assert_problem(far.send(good), 503, "store-unavailable")
    assert len(s3_server.keys(s3_folder)) == 1
    sweep(far)
    assert (takes_of(far), s3_server.keys(s3_folder)) == ([], [])


def test_a_slow_store_is_waited_for(
    far: Service, proxy: FaultProxy, good: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bucket, "ANSWER_WITHIN_S", 20.0)
    proxy.slow(1_000_000)
    take = far.sent(good)
    assert far.work() == ["measured"]
    assert far.client.get(take["links"]["audio"], buffered=True).data == good


@pytest.mark.parametrize("fault", WHILE_FETCHING.values(), ids=WHILE_FETCHING)
def test_a_recording_that_can_not_be_fetched_whole_is_measured_later_and_never_in_part(
    far: Service, proxy: FaultProxy, good: bytes, tmp_path: Path, fault: Act
) -> None:
    take = far.sent(good)
    fault(proxy)
    assert far.work() == ["handed-back"]
    assert (far.client.get(take["links"]["self"]).json["state"], left_here(tmp_path)) == ("waiting", [])
    proxy.passing()
    assert far.work() == ["measured"]
    assert len(far.client.get(take["links"]["measurement"]).json["strums"]) == 3
    assert left_here(tmp_path) == []


def test_a_store_that_stays_away_uses_up_the_attempts_and_asking_again_measures(
    far: Service, proxy: FaultProxy, good: bytes
) -> None:
    take = far.sent(good)
    proxy.refuse()
    assert [far.work() for _ in range(4)] == [["handed-back"], ["handed-back"], ["failed"], []]
    found = far.client.get(take["links"]["self"]).json
    assert (found["state"], found["problem"]["type"]) == ("failed", "/problems/attempts-used-up")
    proxy.passing()
    assert far.client.post(f"{take['links']['self']}/measurement", json={}).status_code == 202
    assert far.work() == ["measured"]


def test_a_store_that_comes_back_within_the_patience_of_a_measuring_process_uses_up_no_attempt(
    far: Service, proxy: FaultProxy, good: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    far.sent(good)
    proxy.refuse()
    waited: list[float] = []

    def comes_back(pause_s: float) -> None:
        waited.append(pause_s)
        if len(waited) == 2:
            proxy.passing()

    monkeypatch.setattr(measuring, "PAUSES_S", (1.0, 2.0, 3.0))
    monkeypatch.setattr(blobs_module, "time", SimpleNamespace(sleep=comes_back))
    assert far.work() == ["measured"]
    assert waited == [1.0, 2.0]


def test_a_take_deleted_while_the_store_is_away_leaves_no_orphan(
    far: Service, proxy: FaultProxy, good: bytes, s3_server: S3Server, s3_folder: str
) -> None:
    take = far.sent(good)
    proxy.refuse()
    far.client.delete(take["links"]["self"])
    assert takes_of(far) == []
    assert s3_server.keys(s3_folder) == [key_of(take)]
    proxy.passing()
    sweep(far)
    assert s3_server.keys(s3_folder) == []


def test_a_recording_that_can_not_be_opened_is_a_problem_and_one_that_is_cut_ends_its_connection(
    s3_server: S3Server, s3_folder: str, proxy: FaultProxy, good: bytes, tmp_path: Path
) -> None:
    settings = {f"COILBENCH_{name.upper()}": value for name, value in s3_server.settings(s3_folder, proxy.url).items()}
    database = Database(f"sqlite:///{tmp_path / 'data' / 'coilbench.sqlite'}")
    database.migrate()
    database.close()
    with program("api", tmp_path, **settings) as served:
        sent = served.ask("POST", "/v1/takes", files={"file": ("take.wav", good)})
        assert sent.status_code == 202, served.log.read_text()
        audio = sent.json()["links"]["audio"]
        assert served.ask("GET", audio).content == good
        proxy.cut(after_down=150_000, orderly=True)
        for headers in ({}, {"Range": "bytes=1000-"}):
            with pytest.raises(requests.exceptions.ChunkedEncodingError, match=r"IncompleteRead|reset"):
                served.ask("GET", audio, headers=headers)
        assert served.ask("GET", "/v1/takes").status_code == 200
        proxy.refuse()
        away = served.ask("GET", audio)
        assert (away.status_code, away.json()["type"]) == (503, "/problems/store-unavailable")
        assert int(away.headers["Retry-After"]) > 0
        assert served.ask("GET", "/readyz").status_code == 503
        assert served.ask("GET", "/v1/takes").status_code == 200
        proxy.passing()
        assert served.ask("GET", audio).content == good
        assert served.ask("GET", audio, headers={"Range": "bytes=1000-"}).content == good[1000:]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """A disk with room for a few takes."""
    with small_disk(tmp_path / "disk", 4) as disk:
        yield disk


def test_a_full_disk_of_recordings_refuses_takes_and_nothing_else(disk: SmallDisk, good: bytes, tmp_path: Path) -> None:
    with service(tmp_path / "data", blob_url=str(disk.folder / "audio")) as near:
        first = near.measured(good)
        kept = disk.files()
        disk.fill()
        assert_problem(near.send(strums_wav(count=4)), 507, "storage-full")
        assert (disk.files(), [take["id"] for take in takes_of(near)]) == (kept, [first["id"]])
        assert near.client.get(first["links"]["audio"], buffered=True).data == good
        disk.make_room()
        assert near.measured(strums_wav(count=4))["state"] == "measured"


def test_a_full_disk_of_the_database_refuses_takes_and_loses_none(disk: SmallDisk, good: bytes, tmp_path: Path) -> None:
    with service(disk.folder, blob_url=str(tmp_path / "audio"), lease_s=1.0) as near:
        first = near.sent(good)
        disk.fill()
        answer = near.send(strums_wav(count=4))
        assert_problem(answer, 503, "store-unavailable")
        assert int(answer.headers["Retry-After"]) > 0
        assert [take["id"] for take in takes_of(near)] == [first["id"]]
        with pytest.raises(OperationalError, match="full"):
            near.work()
        disk.make_room()
        sweep(near)
        assert [
            str(path.relative_to(tmp_path / "audio")) for path in (tmp_path / "audio").glob("*/*") if path.is_file()
        ] == [key_of(first)]
        assert near.work() == ["measured"]
        assert near.measured(strums_wav(count=4))["state"] == "measured"


def test_a_measurement_that_finds_no_room_in_the_database_is_made_again(
    disk: SmallDisk, good: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with service(disk.folder, blob_url=str(tmp_path / "audio"), lease_s=1.0) as near:
        take = near.sent(good)
        measure = measuring.measure_recording

        def fills_the_disk(*call: Any) -> dict[str, Any]:
            document = measure(*call)
            disk.fill()
            return document

        monkeypatch.setattr(measuring, "measure_recording", fills_the_disk)
        with pytest.raises(OperationalError, match="full"):
            near.work()
        monkeypatch.undo()
        disk.make_room()
        with near.bench.database.read() as connection:
            found = takes.get(connection, take["id"])
        assert found is not None
        assert found.state == "measuring"
        job_id, place = str(found.job_id), Workplace(near.configuration)
        wait_until(lambda: measuring.measure_job(place, job_id, "test/2") == "measured", "the lease has run out")
        place.database.close()


def test_a_full_folder_for_temporary_files_refuses_takes_and_hands_measuring_back(
    far: Service, disk: SmallDisk, good: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = far.sent(good)
    monkeypatch.setattr(tempfile, "tempdir", str(disk.folder))
    disk.fill()
    assert far.work() == ["handed-back"]
    assert_problem(far.send(strums_wav(count=4)), 507, "storage-full")
    assert disk.files() == []
    disk.make_room()
    assert far.work() == ["measured"]
    assert far.measured(strums_wav(count=4))["state"] == "measured"
    assert [found["state"] for found in takes_of(far)] == ["measured", "measured"]
    assert disk.files() == []
    assert far.client.get(take["links"]["audio"], buffered=True).data == good
