"""Several processes of the service on one database, SQLite and PostgreSQL in turn: nothing twice, nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from coilbench_worker.configuration import Configuration
from http_recordings import strums_wav
from http_service import Service, assert_problem

GOOD = strums_wav(count=1)
AT_ONCE = 8


@pytest.fixture
def services(tmp_path: Path, database_url: str) -> Iterator[list[Service]]:
    """Two services that share database and recordings, as two processes of a WSGI server do."""
    configuration = Configuration(data=tmp_path / "data", database_url=database_url)
    made = [Service(configuration) for _ in range(2)]
    yield made
    for service in made:
        service.bench.close()


def test_a_request_sent_many_times_at_once_under_one_key_makes_one_take(services: list[Service]) -> None:
    def send(number: int) -> tuple[int, str]:
        answer = services[number % 2].send(GOOD, headers={"Idempotency-Key": "one"})
        return answer.status_code, answer.json.get("id") or answer.json["type"]

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(send, range(AT_ONCE)))
    accepted = {what for status, what in answers if status == 202}
    told_to_wait = {what for status, what in answers if status != 202}
    assert len(accepted) == 1
    assert told_to_wait <= {"/problems/idempotency-key-in-flight"}
    assert [take["id"] for take in services[0].client.get("/v1/takes").json["items"]] == list(accepted)


def test_a_key_whose_take_was_deleted_makes_one_new_take_however_often_it_is_sent(services: list[Service]) -> None:
    first = services[0].send(GOOD, headers={"Idempotency-Key": "one"})
    assert services[1].client.delete(first.headers["Location"]).status_code == 204
    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(
            pool.map(lambda n: services[n % 2].send(GOOD, headers={"Idempotency-Key": "one"}), range(AT_ONCE))
        )
    made = {answer.json["id"] for answer in answers if answer.status_code == 202}
    assert {answer.status_code for answer in answers} <= {202, 409}
    assert [take["id"] for take in services[0].client.get("/v1/takes").json["items"]] == list(made)


def test_the_same_recording_sent_many_times_at_once_is_one_recording_of_many_takes(services: list[Service]) -> None:
    with ThreadPoolExecutor(AT_ONCE) as pool:
        takes = list(pool.map(lambda number: services[number % 2].sent(GOOD), range(AT_ONCE)))
    assert len({take["id"] for take in takes}) == AT_ONCE
    stored = [path for path in Path(services[0].configuration.blobs).rglob("*") if path.is_file()]
    assert len(stored) == 1


def test_sending_and_deleting_the_same_recording_at_once_loses_none_that_was_accepted(services: list[Service]) -> None:
    def send_and_delete(number: int) -> str:
        service = services[number % 2]
        kept, dropped = service.sent(GOOD), service.sent(GOOD)
        assert service.client.delete(dropped["links"]["self"]).status_code == 204
        service.client.delete(kept["links"]["self"]) if number % 2 else None
        return str(kept["links"]["audio"]) if number % 2 == 0 else ""

    with ThreadPoolExecutor(AT_ONCE) as pool:
        kept = [address for address in pool.map(send_and_delete, range(3 * AT_ONCE)) if address]
    assert len(kept) == 3 * AT_ONCE // 2
    for address in kept:
        assert services[0].client.get(address, buffered=True).data == GOOD


def test_changes_of_one_description_at_once_are_all_kept(services: list[Service]) -> None:
    take = services[0].sent(GOOD, about={"label": "a"})

    def patch(number: int) -> int:
        patched = services[number % 2].client.patch(take["links"]["self"], json={"about": {f"field-{number}": number}})
        return patched.status_code

    with ThreadPoolExecutor(AT_ONCE) as pool:
        assert set(pool.map(patch, range(AT_ONCE))) == {200}
    about = services[0].client.get(take["links"]["self"]).json["about"]
    assert about == {"label": "a", "extra": {f"field-{number}": number for number in range(AT_ONCE)}}


def test_text_of_every_kind_is_kept_and_found(services: list[Service]) -> None:
    service = services[0]
    session = 'Früh\'ling "30" %_\\ 🎸'
    take = service.sent(GOOD, "日本 ünï.wav", {"session": session, "extra": {"a": [None, 1.5, {"b": "é"}]}})
    service.sent(GOOD, about={"session": "other"})
    found = service.client.get("/v1/takes", query_string={"session": session}).json["items"]
    assert found == [take]
    assert found[0]["file"]["name"] == "日本 ünï.wav"
    assert service.client.get("/v1/takes", query_string={"session": "a\0b"}).json["items"] == []
    assert_problem(service.client.get("/v1/takes/a%00b"), 404, "take-not-found")


def test_a_chain_and_its_calibration_sent_many_times_at_once_under_one_key_are_made_once(
    services: list[Service],
) -> None:
    stated = {"input_gain_db": 20, "full_scale_dbu": 6, "uncertainty_db": 0.2}

    def post(address: str, body: dict[str, object], key: str) -> list[tuple[int, str]]:
        def once(number: int) -> tuple[int, str]:
            answer = services[number % 2].client.post(address, json=body, headers={"Idempotency-Key": key})
            return answer.status_code, answer.headers.get("Location") or answer.json["type"]

        with ThreadPoolExecutor(AT_ONCE) as pool:
            return list(pool.map(once, range(AT_ONCE)))

    for address, body, key in (
        ("/v1/chains", {"key": "desk"}, "one"),
        ("/v1/chains/desk/calibrations", stated, "two"),
    ):
        answers = post(address, body, key)
        assert len({where for status, where in answers if status == 201}) == 1
        assert {where for status, where in answers if status != 201} <= {"/problems/idempotency-key-in-flight"}
    (chain,) = services[1].client.get("/v1/chains").json["items"]
    assert len(chain["calibrations"]) == 1


def test_chains_that_are_calibrated_and_deleted_at_once_end_without_a_fault(services: list[Service]) -> None:
    stated = {"input_gain_db": 20, "full_scale_dbu": 6, "uncertainty_db": 0.2}

    def come_and_go(number: int) -> set[int]:
        client = services[number % 2].client
        seen = set()
        for _ in range(6):
            seen.add(client.post("/v1/chains", json={"key": "desk"}).status_code)
            made = client.post("/v1/chains/desk/calibrations", json=stated)
            seen.add(made.status_code)
            if made.status_code == 201 and number % 3 == 0:
                seen.add(client.delete(made.json["links"]["self"]).status_code)
            seen.add(client.delete("/v1/chains/desk").status_code)
        return seen

    with ThreadPoolExecutor(AT_ONCE) as pool:
        seen = set().union(*pool.map(come_and_go, range(AT_ONCE)))
    assert seen <= {201, 204, 404, 409}
