"""Deleting is complete: of a take and its recording nothing is left in any table, store or shelf."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import insert, select

from coilbench_worker.store import callbacks
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import deliveries, metadata
from http_recordings import strums_wav
from http_service import Service
from http_service import service as running_service


@pytest.fixture(params=["sqlite", "postgres"])
def service(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Service]:
    url = {"database_url": request.getfixturevalue("postgres_url")} if request.param == "postgres" else {}
    with running_service(tmp_path / "data", **url) as made:
        yield made


def traces_of(service: Service, *words: str) -> list[str]:
    """Table and column of every value that has one of the words in it, and every file whose name or content has."""
    found = []
    with service.bench.database.read() as connection:
        for table in metadata.sorted_tables:
            for row in connection.execute(select(table)):
                found += [
                    f"{table.name}.{column}"
                    for column, value in row._mapping.items()
                    if any(word in str(value) for word in words)
                ]
    return sorted(set(found))


def files_of(service: Service, *words: str) -> list[str]:
    shelf = service.bench.excerpts._folder
    folders = [service.configuration.data / "audio", *([shelf] if shelf is not None else [])]
    paths = [path for folder in folders for path in folder.rglob("*") if path.is_file()]
    return sorted(path.suffix for path in paths if any(word in path.name for word in words))


def test_of_a_deleted_take_nothing_is_left_in_any_table_store_or_shelf(service: Service) -> None:
    kept = service.sent(strums_wav(count=2), name="kept.wav")
    key = {"Idempotency-Key": os.urandom(8).hex()}
    about = {"label": "to be forgotten", "session": "s", "pickup": "p"}
    with service.bench.database.write() as connection:
        hears = callbacks.add(connection, "https://hooks.studio.example/", "whsec_x", ["measured"], None)
    answer = service.send(strums_wav(), name="forgettable.wav", about=about, headers=key)
    service.work()
    take = service.client.get(answer.json["links"]["self"]).json
    service.client.patch(take["links"]["self"], json={"about": {**about, "expected_strums": 3}})
    service.work()
    with service.client.get(f"{take['links']['self']}/strums/1/audio") as sound:
        assert sound.status_code == 200
    with service.bench.database.write() as connection:
        row = {"id": new_id(), "callback_id": hears.id, "take_id": take["id"], "body": {"take": take["id"]}}
        connection.execute(insert(deliveries).values(**row, created=now(), attempt=0, due=now()))
        jobs = connection.execute(select(metadata.tables["jobs"]).filter_by(take_id=take["id"])).all()
    words = (take["id"], take["file"]["sha256"], "to be forgotten", "forgettable", *(job.id for job in jobs))
    assert len(jobs) == 2
    there = {name.partition(".")[0] for name in traces_of(service, *words)}
    assert there == {"takes", "files", "jobs", "measurements", "idempotency", "deliveries"}
    assert files_of(service, take["file"]["sha256"]) == ["", ".wav"]

    assert service.client.delete(take["links"]["self"]).status_code == 204
    assert traces_of(service, *words) == []
    assert files_of(service, take["file"]["sha256"]) == []
    assert service.client.get(kept["links"]["self"]).status_code == 200
    assert service.send(strums_wav(), headers=key).status_code == 202, "the answer is not remembered any more"


@pytest.mark.parametrize("kind", ["pickups", "sessions"])
def test_of_a_deleted_sheet_nothing_is_left_and_takes_that_name_it_stay(service: Service, kind: str) -> None:
    key = {"Idempotency-Key": os.urandom(8).hex()}
    sheet = {"key": "mill", "name": "only on this sheet"}
    answer = service.client.post(f"/v1/{kind}", json=sheet, headers=key)
    assert answer.status_code == 201, answer.text
    take = service.sent(strums_wav(), about={kind[:-1]: "mill"})
    assert {name.partition(".")[0] for name in traces_of(service, "only on this sheet")} == {kind, "idempotency"}
    assert service.client.delete(f"/v1/{kind}/mill").status_code == 204
    assert traces_of(service, "only on this sheet") == []
    assert service.client.get(take["links"]["self"]).json["about"][kind[:-1]] == "mill"
