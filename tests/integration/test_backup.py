"""Copies made while takes arrive, are measured and deleted; restored elsewhere, all of that instant is there again."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from arrivals import arrive
from coilbench_service import backup as backups
from coilbench_service.backup import BackupFailed, backup, read_manifest
from coilbench_service.command import main
from coilbench_service.restore import RestoreRefused, restore
from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.measuring import measure_job
from coilbench_worker.store import database_copy, measurements, nodes, takes
from coilbench_worker.store.database import Database
from coilbench_worker.store.database_copy import CopyFailed
from coilbench_worker.store.schema import jobs as job_table
from coilbench_worker.store.schema import metadata
from coilbench_worker.store.states import MEASURED, WAITING
from coilbench_worker.store.takes import TakeFilter
from coilbench_worker.workplace import Workplace
from services import PostgresServer, S3Server, wait_until
from working import Shop

CLAIM = {"lease_s": 60.0, "max_attempts": 3}


@pytest.fixture(params=["sqlite", "postgres"])
def database_urls(request: pytest.FixtureRequest) -> Iterator[tuple[str | None, str | None]]:
    """Where takes are, and an empty place for the copy; None is SQLite in the data folder."""
    if request.param == "sqlite":
        yield None, None
        return
    server: PostgresServer = request.getfixturevalue("postgres_server")
    names = [f"test_{uuid.uuid4().hex}" for _ in range(2)]
    for name in names:
        server.execute(f"CREATE DATABASE {name}")
    yield server.url(names[0]), server.url(names[1])
    for name in names:
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def shops(database_urls: tuple[str | None, str | None], tmp_path: Path) -> Iterator[tuple[Shop, Shop]]:
    pair = tuple(
        Shop(tmp_path / name, **({"database_url": url} if url else {}))
        for name, url in zip(("here", "there"), database_urls, strict=True)
    )
    yield pair[0], pair[1]
    for shop in pair:
        shop.close()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path / "here")
    yield made
    made.close()


def plain(_: Workplace, held: jobs.Claim) -> dict[str, Any]:
    return {"version": "1", "of": held.take_id}


def work(shop: Shop, measuring: Any = None) -> None:
    """Measure what waits."""
    due = jobs.due(shop.database, max_attempts=3, lease_s=60, republish_after_s=0)
    place = Workplace(shop.configuration)
    for job_id in due:
        measure_job(place, job_id, "test/1", measuring)
    place.database.close()


def everything(shop: Shop) -> dict[str, list[dict[str, Any]]]:
    with shop.database.read() as connection:
        return {
            name: [dict(row._mapping) for row in connection.execute(select(table).order_by(*table.primary_key))]
            for name, table in metadata.tables.items()
        }


@contextmanager
def life(shop: Shop) -> Iterator[list[str]]:
    """In threads: recordings come, each its own, are measured, and some are deleted; their ids as they came."""
    over, came = threading.Event(), list[str]()

    def send() -> None:
        while not over.is_set():
            came.append(arrive(shop.database, shop.blobs, os.urandom(2000)).id)

    def measure() -> None:
        while not over.wait(0.05):
            work(shop, plain)

    def delete() -> None:
        while not over.wait(0.05):
            if came:
                jobs.remove(shop.database, shop.blobs, came[len(came) // 2])

    threads = [threading.Thread(target=act) for act in (send, measure, delete)]
    for thread in threads:
        thread.start()
    try:
        yield came
    finally:
        over.set()
        for thread in threads:
            thread.join()


def test_a_copy_made_in_the_middle_of_work_is_whole_and_work_goes_on_from_it(
    shops: tuple[Shop, Shop], tmp_path: Path
) -> None:
    here, there = shops
    real = here.receive(2)
    work(here)
    waiting = here.receive(1, first=2)[0]
    with life(here) as came:
        wait_until(lambda: len(came) > 20, "takes come in")
        made = backup(here.configuration, tmp_path / "copy", whole=True)
        behind = len(came)
        wait_until(lambda: len(came) > behind, "takes come in after the copy")
    assert made.lost == []
    assert made.rows["takes"] >= 3
    assert made == read_manifest(tmp_path / "copy")
    assert stat.S_IMODE((tmp_path / "copy").stat().st_mode) == 0o700

    assert restore(there.configuration, tmp_path / "copy", whole=True) == made
    restored, original = everything(there), everything(here)
    assert len(restored["takes"]) == made.rows["takes"] < len(came) + 3
    with there.database.read() as connection:
        for take in takes.each(connection, TakeFilter()):
            with there.blobs.open(take.blob) as file:
                assert len(file.read()) == take.bytes
    known = {row["id"]: row for row in original["measurements"]}
    kept = [row for row in restored["measurements"] if row["id"] in known]
    assert kept == [known[row["id"]] for row in kept]
    assert {take.id for take in real} <= {row["take_id"] for row in kept}
    for take in real:
        with here.blobs.open(take.blob) as one, there.blobs.open(take.blob) as other:
            assert one.read() == other.read()

    work(there, plain)
    assert set(there.counts().items()) >= {(MEASURED, made.rows["takes"]), (WAITING, 0)}
    assert there.take(waiting.id).state == MEASURED
    assert set(there.measurements_by_take().values()) == {1}


def test_recordings_in_a_bucket_are_copied_and_put_back_into_another_place(
    s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    here = Shop(tmp_path / "here", **s3_server.settings(f"{s3_folder}/here"))
    there = Shop(tmp_path / "there", **s3_server.settings(f"{s3_folder}/there"))
    contents = [os.urandom(1000 * number) for number in (1, 2, 3)]
    arrived = [arrive(here.database, here.blobs, content) for content in contents]
    here.blobs.delete(arrived[0].blob)
    made = backup(here.configuration, tmp_path / "copy", whole=True)
    assert (made.recordings, made.bytes, made.lost) == (2, 5000, [arrived[0].blob])
    assert restore(there.configuration, tmp_path / "copy", whole=True) == made
    for take, content in list(zip(arrived, contents, strict=True))[1:]:
        with there.blobs.open(take.blob) as file:
            assert file.read() == content
    here.close()
    there.close()


def test_what_was_being_measured_waits_again_without_loss_of_an_attempt_and_old_workers_are_forgotten(
    shops: tuple[Shop, Shop], tmp_path: Path
) -> None:
    here, there = shops
    take = here.receive(1)[0]
    assert take.job_id is not None
    held = jobs.claim(here.database, take.job_id, "node/1", **CLAIM)
    with here.database.write() as connection:
        nodes.report(connection, "node", 1)
    backup(here.configuration, tmp_path / "copy")
    assert held is not None
    assert jobs.extend(here.database, held, lease_s=60), "the copy takes nothing away from who is at work"
    restore(there.configuration, tmp_path / "copy")
    assert there.take(take.id).state == WAITING
    assert there.workers_present() == 0
    with there.database.read() as connection:
        job = connection.execute(select(job_table)).one()
    assert job.attempt - job.returned == 0
    assert not jobs.finish(there.database, held, {"version": "late"})
    work(there)
    with there.database.read() as connection:
        assert measurements.current(connection, take.id) is not None


def test_nothing_is_put_over_what_is_there(shops: tuple[Shop, Shop], tmp_path: Path) -> None:
    here, there = shops
    here.receive(1)
    backup(here.configuration, tmp_path / "copy")
    there.receive(1, first=1)
    before = everything(there)
    with pytest.raises(RestoreRefused, match=r"holds something already \(files, jobs, takes\)"):
        restore(there.configuration, tmp_path / "copy")
    assert everything(there) == before


def test_a_folder_that_is_made_for_what_is_put_back_is_for_its_owner_alone(shop: Shop, tmp_path: Path) -> None:
    arrive(shop.database, shop.blobs)
    backup(shop.configuration, tmp_path / "copy")
    fresh = Configuration(data=tmp_path / "fresh")
    restore(fresh, tmp_path / "copy")
    assert stat.S_IMODE(fresh.data.stat().st_mode) == 0o700


def test_a_database_that_a_worker_uses_is_not_restored_into(shop: Shop, tmp_path: Path) -> None:
    there = Shop(tmp_path / "there")
    backup(shop.configuration, tmp_path / "copy")
    with there.database.write() as connection:
        nodes.report(connection, "node", 1)
    with pytest.raises(RestoreRefused, match="stop the service and all workers"):
        restore(there.configuration, tmp_path / "copy")
    there.close()


def test_a_copy_goes_into_an_empty_folder_only(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy" / "something").write_text("mine")
    with pytest.raises(BackupFailed, match="is not empty"):
        backup(shop.configuration, tmp_path / "copy")


def test_a_copy_that_was_broken_off_or_damaged_is_not_put_back(shop: Shop, tmp_path: Path) -> None:
    take = shop.receive(1)[0]
    there = Shop(tmp_path / "there")
    copy = tmp_path / "copy"
    manifest = backup(shop.configuration, copy)
    (copy / "manifest.json").unlink()
    with pytest.raises(BackupFailed, match="broken off"):
        restore(there.configuration, copy)
    (copy / "manifest.json").write_text(json.dumps(asdict(manifest)))
    recording = (copy / "audio" / take.blob).read_bytes()
    (copy / "audio" / take.blob).write_bytes(recording[:-1] + b"?")
    with pytest.raises(BackupFailed, match="1 recordings of the copy"):
        restore(there.configuration, copy)
    (copy / "audio" / take.blob).write_bytes(recording)
    database = copy / manifest.database
    database.write_bytes(database.read_bytes() + b"?")
    with pytest.raises(BackupFailed, match="not what was written"):
        restore(there.configuration, copy)
    assert there.counts()[WAITING] == 0
    there.close()


def test_a_copy_of_another_kind_of_database_or_of_newer_tables_is_refused(shop: Shop, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    manifest = backup(shop.configuration, copy)
    for change, says in (({"database": "database.dump"}, "of PostgreSQL"), ({"revision": "9999"}, "at revision 9999")):
        (copy / "manifest.json").write_text(json.dumps(asdict(manifest) | change))
        with pytest.raises(RestoreRefused, match=says):
            restore(shop.configuration, copy)


def test_a_recording_that_the_store_has_lost_is_named_and_the_others_are_copied(shop: Shop, tmp_path: Path) -> None:
    lost, damaged, kept = shop.receive(3)
    (shop.folder / "audio" / lost.blob).unlink()
    (shop.folder / "audio" / damaged.blob).write_bytes(b"another recording")
    made = backup(shop.configuration, tmp_path / "copy")
    assert made.lost == sorted([lost.blob, damaged.blob])
    there = Shop(tmp_path / "there")
    assert restore(there.configuration, tmp_path / "copy").recordings == 1
    assert there.blobs.exists(kept.blob)
    there.close()


def test_takes_that_are_deleted_while_they_are_copied_are_not_in_the_copy(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One is deleted before the database is copied, one between that and its recording."""
    first = shop.receive(1)[0]
    copy_out = database_copy.copy_out
    later: list[str] = []

    def delete_one_copy_delete_one(*arguments: Any) -> Any:
        if not later:
            jobs.remove(shop.database, shop.blobs, first.id)
            later.append(shop.receive(1, first=1)[0].id)
        copied = copy_out(*arguments)
        jobs.remove(shop.database, shop.blobs, later[0])
        return copied

    monkeypatch.setattr(database_copy, "copy_out", delete_one_copy_delete_one)
    made = backup(shop.configuration, tmp_path / "copy")
    assert (made.rows["takes"], made.recordings, made.lost) == (0, 0, [])
    assert [path for path in (tmp_path / "copy" / "audio").rglob("*") if path.is_file()] == []


def test_without_the_programs_of_postgresql_it_says_what_to_install(
    postgres_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Shop(tmp_path / "here", database_url=postgres_url)
    monkeypatch.setattr(shutil, "which", lambda _: None)
    with pytest.raises(CopyFailed, match="apt-get install postgresql-client"):
        backup(shop.configuration, tmp_path / "copy")
    shop.close()


@pytest.mark.parametrize("where", ["//coilbench:hush@db/takes", "//coilbench@db/takes?password=hush&sslmode=require"])
def test_the_password_of_postgresql_stands_in_no_command_line(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[list[str], dict[str, str]]] = []

    def run(command: list[str], *, env: dict[str, str], **_: Any) -> subprocess.CompletedProcess[str]:
        seen.append((command, env))
        return subprocess.CompletedProcess(command, 0, "", "")

    monkeypatch.setattr(subprocess, "run", run)
    database_copy.copy_in(Database(f"postgresql:{where}"), tmp_path / "database.dump")
    ((command, environment),) = seen
    assert environment["PGPASSWORD"] == "hush"
    assert "coilbench@db" in " ".join(command)
    assert "hush" not in " ".join(command)


def test_the_commands_say_what_was_copied_and_restored_and_fail_with_a_reason(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.receive(2)
    copy = str(tmp_path / "copy")
    monkeypatch.setenv("COILBENCH_DATA", str(shop.folder))
    made = CliRunner().invoke(main, ["backup", copy, "--verify"])
    assert (made.exit_code, made.output.startswith(f"Copied to {copy}: 2 takes, 2 recordings (")) == (0, True)
    again = CliRunner().invoke(main, ["backup", copy])
    assert (again.exit_code, "No copy was made" in again.output, "is not empty" in again.output) == (1, True, True)
    refused = CliRunner().invoke(main, ["restore", copy])
    assert (refused.exit_code, "Nothing was changed" in refused.output) == (1, True)
    monkeypatch.setenv("COILBENCH_DATA", str(tmp_path / "there"))
    restored = CliRunner().invoke(main, ["restore", copy, "--verify"])
    assert (restored.exit_code, "Restored from" in restored.output) == (0, True), restored.output
    assert (Path(copy) / backups.MANIFEST).is_file()
