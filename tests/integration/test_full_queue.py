"""Back-pressure: however many processes take recordings in, no more wait than may, and clients come back."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from sqlalchemy import text

from coilbench import Client, Patience
from coilbench_worker.store import takes
from coilbench_worker.store.database import Database
from http_recordings import strums_wav
from http_service import Service
from http_service import service as running_service
from served import served_service
from stored_takes import entered

LIMIT = 4
SENDERS = 6


def waiting(service: Service) -> int:
    with service.bench.database.read() as connection:
        return takes.counts(connection)["waiting"]


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_several_processes_that_take_recordings_in_keep_to_the_limit_together(
    tmp_path: Path, kind: str, request: pytest.FixtureRequest
) -> None:
    url = request.getfixturevalue("postgres_url") if kind == "postgres" else f"sqlite:///{tmp_path / 'one.sqlite'}"
    settings = {"database_url": url, "max_waiting_takes": LIMIT, "blob_url": str(tmp_path / "audio")}
    with running_service(tmp_path / "a", **settings) as one, running_service(tmp_path / "b", **settings) as other:
        answers: list[int] = []

        def send(number: int) -> None:
            service = (one, other)[number % 2]
            for part in range(4):
                answers.append(service.send(strums_wav(level_dbfs=-12.0 - number - part / 10)).status_code)

        threads = [threading.Thread(target=send, args=(number,)) for number in range(SENDERS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        accepted = answers.count(202)
        assert (accepted, set(answers)) == (waiting(one), {202, 429})
        assert LIMIT <= accepted < LIMIT + SENDERS, "only those who were sending when it became full were let in"
        assert other.send(strums_wav()).status_code == 429


def test_a_client_that_is_told_to_wait_comes_back_and_goes_on(tmp_path: Path) -> None:
    file = tmp_path / "take.wav"
    file.write_bytes(strums_wav())
    with served_service(tmp_path / "data", max_waiting_takes=1) as (service, url):
        service.sent(strums_wav(count=2))
        waited: list[float] = []

        def pause(seconds: float) -> None:
            waited.append(seconds)
            service.work()

        with Client(url, retries=Patience(pause=pause)) as client:
            client.send(file)
        assert len(waited) == 1
        assert waited[0] >= 30.0
        assert waiting(service) == 1


def test_looking_for_room_reads_no_more_of_the_index_than_may_wait(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    database.migrate()
    for state in ["waiting"] * 5 + ["measured"] * 2:
        entered(database, {}, None, state=state)
    with database.read() as connection:
        assert [takes.count_in(connection, "waiting", limit) for limit in (3, 5, 9)] == [3, 5, 5]
        query = "SELECT count(*) FROM (SELECT id FROM takes WHERE state = 'waiting' LIMIT 3)"
        plan = " ".join(str(row) for row in connection.execute(text(f"EXPLAIN QUERY PLAN {query}")))
    assert "SEARCH takes USING COVERING INDEX ix_takes_state_id" in plan
    database.close()
