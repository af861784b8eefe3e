"""Sessions over HTTP: made, changed, deleted, imported; and which takes are measured again because of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from werkzeug.test import TestResponse

from coilbench_service import sheet_view
from coilbench_service.about import Conditions
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import takes
from coilbench_worker.store.takes import TakeFilter
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

GOOD = strums_wav(count=1)
AT_ONCE = 6
CONDITIONS = {"pick": "1.0 mm", "input_gain_db": 20, "channel": 1}


def add(service: Service, key: Any = "s", headers: dict[str, str] | None = None, **values: Any) -> TestResponse:
    return service.client.post("/v1/sessions", json={"key": key, **values}, headers=headers or {})


def bring(service: Service, table: str | bytes, headers: dict[str, str] | None = None) -> TestResponse:
    body = table.encode() if isinstance(table, str) else table
    return service.client.post("/v1/sessions", data=body, content_type="text/csv", headers=headers or {})


def fields(body: dict[str, Any]) -> list[str]:
    return [error["field"] for error in body["errors"]]


def read(service: Service, key: str = "s") -> dict[str, Any]:
    document: dict[str, Any] = service.client.get(f"/v1/sessions/{key}").json
    return document


def expected(service: Service, take: dict[str, Any]) -> tuple[str, int | None]:
    """State of a take, and the strums that its measurement expects."""
    state = service.client.get(take["links"]["self"]).json["state"]
    if state != "measured":
        return state, None
    return state, service.client.get(take["links"]["measurement"]).json["settings"]["expected_strums"]


def job_of(service: Service, take: dict[str, Any]) -> str:
    with service.bench.database.read() as connection:
        found = takes.get(connection, take["id"])
    assert found is not None
    assert found.job_id is not None
    return found.job_id


@pytest.fixture
def told(service: Service, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The jobs of which the broker was told, in order."""
    jobs: list[str] = []
    monkeypatch.setattr(type(service.bench.dispatcher), "publish", lambda _, job: jobs.append(job))
    return jobs


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with the session `s`, for requests of which nothing is kept."""
    with running_service(tmp_path_factory.mktemp("refusing")) as made:
        before = add(made, conditions=CONDITIONS).json
        yield made
        assert made.client.get("/v1/sessions").json["items"] == [before]


@pytest.fixture
def together(tmp_path: Path, database_url: str) -> Iterator[list[Service]]:
    """Two services on one database, SQLite and PostgreSQL in turn, as two processes of a WSGI server are."""
    configuration = Configuration(data=tmp_path / "data", database_url=database_url)
    made = [Service(configuration) for _ in range(2)]
    yield made
    for one in made:
        one.bench.close()


def test_a_session_is_made_listed_read_changed_and_deleted(service: Service) -> None:
    take = service.sent(GOOD, about={"session": "shed, May"})
    made = add(service, "shed, May", date="2026-05-01", gauge=7, conditions={**CONDITIONS, "room": "shed"})
    assert made.status_code == 201, made.text
    here = made.headers["Location"]
    assert here == "/v1/sessions/shed%2C%20May"
    body = made.json
    assert set(body) == set(sheet_view.Session.model_fields)
    assert body["conditions"] == {**CONDITIONS, "extra": {"room": "shed"}}
    assert (body["date"], body["extra"], body["name"], body["takes"]) == ("2026-05-01", {"gauge": 7}, None, 1)
    assert body["links"] == {"self": here, "takes": "/v1/takes?session=shed%2C%20May"}
    assert service.client.get(here).json == body
    assert service.client.get("/v1/sessions").json == {"items": [body], "without_sheet": [], "next": None}
    assert [one["id"] for one in service.client.get(body["links"]["takes"]).json["items"]] == [take["id"]]
    patch = {"date": None, "conditions": {"pick": None, "tuning": "D", "extra": {"room": None, "lamp": "off"}}}
    changed = service.client.patch(here, json=patch).json
    conditions = {"input_gain_db": 20, "channel": 1, "tuning": "D", "extra": {"lamp": "off"}}
    assert (changed["date"], changed["conditions"], changed["extra"]) == (None, conditions, {"gauge": 7})
    assert service.client.patch(here, json={"conditions": None}).json["conditions"] == {}
    assert service.client.delete(here).status_code == 204
    assert_problem(service.client.get(here), 404, "session-unknown")
    left = service.client.get(take["links"]["self"]).json
    assert (left["about"], left["described"]) == (take["about"], take["about"])
    bare = {"key": "shed, May", "takes": 1, "measured_takes": 0}
    assert service.client.get("/v1/sessions").json["without_sheet"] == [bare]


def test_a_session_is_changed_and_deleted_only_in_the_state_that_was_asked_for(
    service: Service, told: list[str]
) -> None:
    take = service.measured(GOOD, about={"session": "s"})
    here = add(service).json["links"]["self"]
    client, tag = service.client, service.client.get(here).headers["ETag"]
    told.clear()
    assert client.get(here, headers={"If-None-Match": tag}).status_code == 304
    patch = {"conditions": {"expected_strums": 4}}
    for state in ({"If-Match": tag}, {"If-Unmodified-Since": "Thu, 01 Jan 2015 00:00:00 GMT"}):
        assert_problem(client.patch(here, json=patch, headers=state), 412, "precondition-failed")
        assert_problem(client.delete(here, headers=state), 412, "precondition-failed")
    assert client.get(here, headers={"If-None-Match": tag}).status_code == 304
    assert (expected(service, take), told) == (("measured", None), [])
    assert client.patch(here, json=patch, headers={"If-Match": "*"}).status_code == 200
    assert client.get(here, headers={"If-None-Match": tag}).status_code == 200
    assert (expected(service, take)[0], len(told)) == ("waiting", 1)


def test_the_same_request_under_one_key_makes_one_session_and_measures_once(service: Service, told: list[str]) -> None:
    take = service.measured(GOOD, about={"session": "s"})
    told.clear()
    named = {"Idempotency-Key": "k1"}
    first = add(service, headers=named, conditions={"expected_strums": 4})
    assert first.status_code == 201
    service.work()
    again = add(service, headers=named, conditions={"expected_strums": 4})
    assert (again.status_code, again.json) == (201, first.json)
    assert (expected(service, take), len(told)) == (("measured", 4), 1)
    answer = add(service, headers=named, conditions={"expected_strums": 5})
    assert fields(assert_problem(answer, 422, "idempotency-key-reused")) == ["Idempotency-Key"]
    assert_problem(add(service, conditions={"expected_strums": 5}), 409, "session-exists")
    table, key = "key,expected_strums\ns,6\n", {"Idempotency-Key": "k2"}
    done = bring(service, table, headers=key).json
    assert done == {"made": 0, "changed": 1, "unchanged": 0, "measured_again": 1}
    assert bring(service, table, headers=key).json == done
    assert len(told) == 2
    service.client.delete(first.json["links"]["self"])
    assert add(service, headers=named).status_code == 201  # the key is new again


def test_only_takes_that_inherit_the_expected_strums_are_measured_again(service: Service, told: list[str]) -> None:
    def sent(**about: Any) -> dict[str, Any]:
        return service.sent(GOOD, about=about)

    inherits, states = sent(session="s"), sent(session="s", expected_strums=1)
    asked, stranger, nobody = sent(session="s"), sent(session="t"), sent()
    all_of_them = (inherits, states, asked, stranger, nobody)
    service.work()
    service.client.post(asked["links"]["measurement"], json={"settings": {"level_window_s": [0.1, 0.5]}})
    service.work()
    told.clear()
    here = add(service, conditions={"expected_strums": 2}).json["links"]["self"]
    found = [expected(service, take)[0] for take in all_of_them]
    assert found == ["waiting", "measured", "waiting", "measured", "measured"]
    assert sorted(told) == sorted(job_of(service, take) for take in (inherits, asked))
    service.work()
    assert [expected(service, take)[1] for take in all_of_them] == [2, 1, 2, None, None]
    settings = service.client.get(asked["links"]["measurement"]).json["settings"]
    assert settings["level_window_s"] == [0.1, 0.5]  # what was asked for of this take stays

    told.clear()
    unrelated = {"name": "N", "conditions": {"pick": "1.0 mm", "expected_strums": 2}}
    assert service.client.patch(here, json=unrelated).status_code == 200
    assert bring(service, "key,tuning\ns,D\n").json["measured_again"] == 0
    assert ([expected(service, take) for take in all_of_them[:3]], told) == ([("measured", n) for n in (2, 1, 2)], [])

    assert service.client.delete(here).status_code == 204
    # The first measurements are still there, so nothing is to be done again.
    assert [expected(service, take) for take in all_of_them] == [("measured", n) for n in (None, 1, None, None, None)]
    assert told == []


def test_a_take_that_waits_when_its_session_comes_is_measured_once_as_the_session_says(service: Service) -> None:
    take = service.sent(GOOD, about={"session": "s"})
    add(service, conditions={"expected_strums": 2})
    assert len(service.work()) == 1
    assert expected(service, take) == ("measured", 2)
    service.client.patch(take["links"]["self"], json={"about": {"expected_strums": 1}})
    service.client.patch("/v1/sessions/s", json={"conditions": {"expected_strums": 3}})
    service.work()
    assert expected(service, take) == ("measured", 1)  # it states its own now
    service.client.patch(take["links"]["self"], json={"about": {"expected_strums": None}})
    service.work()
    assert expected(service, take) == ("measured", 3)


def test_takes_and_sessions_that_come_and_go_at_once_end_up_agreeing(together: list[Service]) -> None:
    def act(number: int) -> int:
        service, key, strums_expected = together[number % 2], "s", number + 2
        conditions = {"expected_strums": strums_expected}
        acts: list[Callable[[], TestResponse]] = [
            lambda: add(service, key, conditions=conditions),
            lambda: service.send(GOOD, about={"session": key}),
            lambda: bring(service, f"key,expected_strums\n{key},{strums_expected}\n"),
            lambda: service.client.patch(f"/v1/sessions/{key}", json={"conditions": conditions}),
            lambda: service.send(GOOD, about={"session": key}),
            lambda: service.client.delete(f"/v1/sessions/{key}"),
            lambda: service.send(GOOD, about={"session": key}),
        ]
        return acts[number % len(acts)]().status_code

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(act, range(28)))
    assert set(answers) <= {200, 201, 202, 204, 404, 409}
    sheet = together[0].client.get("/v1/sessions/s")
    said = sheet.json["conditions"]["expected_strums"] if sheet.status_code == 200 else None
    with together[0].bench.database.read() as connection:
        settings = [take.settings for take in takes.each(connection, TakeFilter())]
    assert [one["expected_strums"] for one in settings] == [said] * 12


def test_an_import_is_all_or_none_also_of_what_is_measured_again(service: Service, told: list[str]) -> None:
    take = service.measured(GOOD, about={"session": "s"})
    add(service, conditions={"room": "shed"})
    told.clear()
    table = "key,expected_strums,conditions.room,date\ns,4,,2026-03-01\nt,0,cellar,2026-02-30\nu,many,,\n"
    body = assert_problem(bring(service, table), 422, "csv-faulty")
    assert fields(body) == ["line 4, column `expected_strums`"]
    body = assert_problem(bring(service, table.replace("many", "7")), 422, "csv-faulty")
    assert fields(body) == ["line 3, column `date`", "line 3, column `expected_strums`"]
    assert (expected(service, take), told) == (("measured", None), [])
    assert read(service)["conditions"] == {"extra": {"room": "shed"}}
    mended = table.replace("many", "7").replace("t,0", "t,1").replace("02-30", "02-28")
    assert bring(service, mended).json == {"made": 2, "changed": 1, "unchanged": 0, "measured_again": 1}
    assert read(service)["conditions"] == {"expected_strums": 4}
    assert read(service, "t")["conditions"] == {"expected_strums": 1, "extra": {"room": "cellar"}}
    assert read(service, "t")["date"] == "2026-02-28"
    assert len(told) == 1


def test_an_export_that_is_imported_changes_nothing(service: Service) -> None:
    inner = {**CONDITIONS, "strings": "=10-46", "extra": {"room": "a;b", "=own": ["x", None]}}
    add(service, "-1", conditions=inner, date="2026-03-01", room="of the sheet")
    add(service, "bare")
    table = service.client.get("/v1/sessions?format=csv")
    assert table.headers["Content-Disposition"] == 'attachment; filename="sessions.csv"'
    assert bring(service, table.data).json == {"made": 0, "changed": 0, "unchanged": 2, "measured_again": 0}
    before = read(service, "-1")
    for key in ("-1", "bare"):
        service.client.delete(f"/v1/sessions/{key}")
    assert bring(service, table.data).json["made"] == 2
    after = read(service, "-1")
    assert (after["conditions"], after["extra"], after["date"]) == (inner, {"room": "of the sheet"}, "2026-03-01")
    assert before["conditions"] == inner


@pytest.mark.parametrize("field", sorted(set(Conditions.model_fields) - {"extra"}))
def test_a_condition_stands_under_conditions_and_nowhere_else(refusing: Service, field: str) -> None:
    ((place, message),) = [
        (error["field"], error["message"])
        for error in assert_problem(add(refusing, "new", **{field: 1}), 422, "invalid-request")["errors"]
    ]
    assert (place, message) == (field, f"is a condition: state it as conditions.{field}")


@pytest.mark.parametrize(
    ("values", "place"),
    [
        ({"date": "2026-02-30"}, "date"),
        ({"date": "1.3.2026"}, "date"),
        ({"date": "20260301"}, "date"),
        ({"date": 20260301}, "date"),
        ({"conditions": []}, "conditions"),
        ({"conditions": "D"}, "conditions"),
        ({"conditions": {"expected_strums": 0}}, "conditions.expected_strums"),
        ({"conditions": {"expected_strums": 4.5}}, "conditions.expected_strums"),
        ({"conditions": {"input_gain_db": "20"}}, "conditions.input_gain_db"),
        ({"conditions": {"chain": ""}}, "conditions.chain"),
        ({"conditions": {"label": "x"}}, "conditions.label"),
        ({"conditions": {"pickup": "mill"}}, "conditions.pickup"),
        ({"conditions": {"session": "t"}}, "conditions.session"),
        ({"conditions": {"tags": ["x"]}}, "conditions.tags"),
        ({"conditions": {"Expected Strums": 4}}, "conditions.extra.Expected Strums"),
        ({"conditions": {"extra": {"pick": "x"}}}, "conditions.extra.pick"),
        ({"conditions": {"room": 1, "extra": {"room": 2}}}, "conditions.room"),
        ({"Expected-Strums": 4}, "extra.Expected-Strums"),
        ({"measured_takes": 4}, "measured_takes"),
    ],
)
def test_what_is_wrong_with_a_session_is_named(refusing: Service, values: dict[str, Any], place: str) -> None:
    assert fields(assert_problem(add(refusing, "new", **values), 422, "invalid-request")) == [place]
    answer = refusing.client.patch("/v1/sessions/s", json=values)
    assert fields(assert_problem(answer, 422, "invalid-request")) == [place]


@pytest.mark.parametrize(
    ("table", "place"),
    [
        (b"", "line 1"),
        (b"key,name,name\nnew,x,y\n", "line 1, column `name`"),
        (b"key,conditions.label\nnew,x\n", "line 1, column `conditions.label`"),
        (b"key,conditions.pick\nnew,x\n", "line 1, column `conditions.pick`"),
        (b"key,conditions\nnew,x\n", "line 1, column `conditions`"),
        (b"key,extra\nnew,x\n", "line 1, column `extra`"),
        (b"key,takes\nnew,1\n", "line 1, column `takes`"),
        (b"key,conditions.room,conditions.room\nnew,x,y\n", "line 1, column `conditions.room`"),
        (b"key,room\nnew,M\xfchle\n", "line 2"),
        (b"key,room\nnew,a\x00b\n", "line 2"),
        (b'key,room\nnew,"cut off', "line 2"),
        (b"key,room\nnew,a\nnew,b\n", "line 3, column `key`"),
    ],
)
def test_a_faulty_table_of_sessions_is_a_named_problem(refusing: Service, table: bytes, place: str) -> None:
    assert fields(assert_problem(bring(refusing, table), 422, "csv-faulty")) == [place]


@pytest.mark.parametrize("key", ["none", "%00", "x" * 3000])
def test_every_route_of_a_session_that_is_not_there_says_so(refusing: Service, key: str) -> None:
    client, here = refusing.client, f"/v1/sessions/{key}"
    for answer in (client.get(here), client.patch(here, json={}), client.delete(here)):
        assert_problem(answer, 404, "session-unknown")
    assert fields(assert_problem(add(refusing, "a/b"), 422, "invalid-request")) == ["key"]
