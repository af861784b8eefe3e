"""Data sheets of pickups over HTTP: made, listed, read, changed, deleted, imported; every problem by its name."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from werkzeug.test import TestResponse

from coilbench_service import sheet_csv, sheet_view
from coilbench_service.sheet import MAX_BYTES, MOST_EXTRA, PickupSheet, fields_of
from coilbench_worker.configuration import Configuration
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

GOOD = strums_wav(count=1)
SAID = {"name": "Mill", "construction": "humbucker", "active": False, "turns": 5400, "dcr_ohm": 13900}
AT_ONCE = 6
LONG_AGO = {"If-Unmodified-Since": "Thu, 01 Jan 2015 00:00:00 GMT"}


def add(service: Service, key: Any = "mill", headers: dict[str, str] | None = None, **values: Any) -> TestResponse:
    return service.client.post("/v1/pickups", json={"key": key, **values}, headers=headers or {})


def bring(service: Service, table: str | bytes, headers: dict[str, str] | None = None) -> TestResponse:
    body = table.encode() if isinstance(table, str) else table
    return service.client.post("/v1/pickups", data=body, content_type="text/csv", headers=headers or {})


def fields(body: dict[str, Any]) -> list[str]:
    return [error["field"] for error in body["errors"]]


def kept(service: Service) -> dict[str, Any]:
    """Every sheet by its key."""
    return {one["key"]: one for one in service.client.get("/v1/pickups").json["items"]}


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with the sheet `mill`, for requests of which nothing is kept."""
    with running_service(tmp_path_factory.mktemp("refusing")) as made:
        assert add(made, **SAID).status_code == 201
        before = kept(made)
        yield made
        assert kept(made) == before


@pytest.fixture
def together(tmp_path: Path, database_url: str) -> Iterator[list[Service]]:
    """Two services on one database, SQLite and PostgreSQL in turn, as two processes of a WSGI server are."""
    configuration = Configuration(data=tmp_path / "data", database_url=database_url)
    made = [Service(configuration) for _ in range(2)]
    yield made
    for one in made:
        one.bench.close()


def test_a_sheet_is_made_listed_and_read_with_every_field(service: Service) -> None:
    made = add(service, "Mühle, Steg", **SAID, gauss=640, extra={"wound by": "Ines"}, magnet=None)
    assert made.status_code == 201, made.text
    here = made.headers["Location"]
    assert here == "/v1/pickups/M%C3%BChle%2C%20Steg"
    body = made.json
    assert set(body) == set(sheet_view.Pickup.model_fields)
    assert {name: body[name] for name in SAID} == SAID
    assert {body[name] for name in set(fields_of(PickupSheet)) - set(SAID)} == {None}
    assert body["extra"] == {"wound by": "Ines", "gauss": 640}
    assert (body["takes"], body["measured_takes"], body["created"]) == (0, 0, body["updated"])
    assert body["links"] == {"self": here, "takes": "/v1/takes?pickup=M%C3%BChle%2C%20Steg"}
    assert service.client.get(here).json == body
    assert service.client.get("/v1/pickups").json == {"items": [body], "without_sheet": [], "next": None}


def test_sheets_are_listed_by_pages_in_the_order_in_which_they_were_made(service: Service) -> None:
    for key in ("c", "a", "b"):
        add(service, key)
    service.sent(GOOD, about={"pickup": "bare"})
    first = service.client.get("/v1/pickups?limit=2")
    assert [one["key"] for one in first.json["items"]] == ["c", "a"]
    assert first.json["without_sheet"] == [{"key": "bare", "takes": 1, "measured_takes": 0}]
    second = service.client.get(first.headers["Link"].split(">")[0][1:]).json
    assert ([one["key"] for one in second["items"]], second["without_sheet"], second["next"]) == (["b"], [], None)
    for question in ("limit=0", "cursor=%00", "format=xlsx", "lim=1"):
        assert_problem(service.client.get(f"/v1/pickups?{question}"), 422, "invalid-request")
    answer = service.client.get("/v1/pickups", headers={"Accept": "image/png"})
    assert fields(assert_problem(answer, 406, "not-acceptable")) == ["Accept"]


def test_a_patch_changes_what_it_names_and_null_takes_out(service: Service) -> None:
    made = add(service, **SAID, extra={"gauss": 640, "wound by": "Ines"}).json
    here = made["links"]["self"]
    patch = {"name": None, "turns": 5500, "extra": {"gauss": None, "year": 2026}, "potted": True}
    changed = service.client.patch(here, json=patch, content_type="application/merge-patch+json").json
    expected = {**made, **patch, "extra": {"wound by": "Ines", "year": 2026}, "updated": changed["updated"]}
    assert changed == expected
    assert changed["updated"] > made["updated"]
    assert service.client.patch(here, json={}).json == changed  # says the same: not even the time changes
    assert service.client.patch(here, json={"turns": 5500, "cover": None}).json == changed
    assert service.client.patch(here, json={"year": None}).json["extra"] == {"wound by": "Ines"}
    assert service.client.patch(here, json={"extra": None}).json["extra"] == {}
    assert service.client.get(here).json["turns"] == 5500


def test_a_sheet_that_is_deleted_leaves_its_takes(service: Service) -> None:
    take = service.measured(GOOD, about={"pickup": "mill"})
    made = add(service, position="bridge").json
    assert (made["takes"], made["measured_takes"]) == (1, 1)
    assert service.client.get(take["links"]["self"]).json["described"]["position"] == "bridge"
    here = made["links"]["self"]
    answer = service.client.delete(here)
    assert (answer.status_code, answer.data) == (204, b"")
    assert_problem(service.client.get(here), 404, "pickup-unknown")
    assert_problem(service.client.delete(here), 404, "pickup-unknown")
    assert service.client.get(take["links"]["self"]).json == take
    assert service.client.get(take["links"]["measurement"]).status_code == 200
    listed = service.client.get("/v1/pickups").json
    assert (listed["items"], listed["without_sheet"]) == ([], [{"key": "mill", "takes": 1, "measured_takes": 1}])


def test_a_sheet_is_changed_and_deleted_only_in_the_state_that_was_asked_for(service: Service) -> None:
    here = add(service, **SAID).json["links"]["self"]
    client, tag = service.client, service.client.get(here).headers["ETag"]
    unchanged = client.get(here, headers={"If-None-Match": tag})
    assert (unchanged.status_code, unchanged.data) == (304, b"")
    for state in ({"If-Match": tag}, {"If-Match": '"other"'}, LONG_AGO):  # tags of JSON are weak: RFC 9110, 13.1.1
        assert_problem(client.patch(here, json={"turns": 1}, headers=state), 412, "precondition-failed")
        body = assert_problem(client.delete(here, headers=state), 412, "precondition-failed")
        assert "If-Unmodified-Since" in body["advice"]
    assert client.get(here, headers={"If-None-Match": tag}).status_code == 304  # nothing was changed
    assert client.patch(here, json={"turns": 1}, headers={"If-Match": "*"}).status_code == 200
    changed = client.get(here, headers={"If-None-Match": tag})
    assert (changed.status_code, changed.json["turns"]) == (200, 1)
    assert client.delete(here, headers={"If-Match": "*"}).status_code == 204
    assert_problem(client.delete(here, headers={"If-Match": "*"}), 404, "pickup-unknown")


def test_the_tag_of_a_sheet_changes_with_the_takes_that_name_it(service: Service) -> None:
    here = add(service).json["links"]["self"]
    tag = service.client.get(here).headers["ETag"]
    service.sent(GOOD, about={"pickup": "mill"})
    assert service.client.get(here, headers={"If-None-Match": tag}).json["takes"] == 1


def test_the_same_request_under_one_key_makes_one_sheet(service: Service) -> None:
    named = {"Idempotency-Key": "k1"}
    first, again = (add(service, name="a", headers=named) for _ in range(2))
    assert (again.status_code, again.json) == (201, first.json)
    assert_problem(add(service, name="a"), 409, "pickup-exists")
    body = assert_problem(add(service, name="b", headers=named), 422, "idempotency-key-reused")
    assert fields(body) == ["Idempotency-Key"]
    assert_problem(bring(service, "key\nk\n", headers=named), 422, "idempotency-key-reused")
    service.client.patch(first.json["links"]["self"], json={"name": "c"})
    assert add(service, name="a", headers=named).json == first.json  # what was answered then
    with service.bench.keys.hold("k2"):
        assert_problem(add(service, "other", headers={"Idempotency-Key": "k2"}), 409, "idempotency-key-in-flight")
    assert_problem(add(service, "other", headers={"Idempotency-Key": "a b"}), 422, "invalid-request")
    assert list(kept(service)) == ["mill"]
    service.client.delete(first.json["links"]["self"])
    anew = add(service, name="b", headers=named)  # the first answer went with its sheet
    assert (anew.status_code, anew.json["name"]) == (201, "b")


def test_an_import_says_how_many_were_made_changed_and_left(service: Service) -> None:
    add(service, **SAID)
    add(service, "ferry", name="Ferry", notes="stays")
    table = "key,name,turns,gauss\nmill,Mill,5400,\nferry,,6000,\nnew,N,,7.5\n"
    named = {"Idempotency-Key": "k1"}
    done = bring(service, table, headers=named)
    assert (done.status_code, done.json) == (200, {"made": 1, "changed": 1, "unchanged": 1, "measured_again": 0})
    found = kept(service)
    assert list(found) == ["mill", "ferry", "new"]
    assert found["mill"]["updated"] == found["mill"]["created"]
    assert [found["ferry"][name] for name in ("name", "notes", "turns")] == [None, "stays", 6000]
    assert found["new"]["extra"] == {"gauss": 7.5}
    assert bring(service, table).json == {"made": 0, "changed": 0, "unchanged": 3, "measured_again": 0}
    assert bring(service, table, headers=named).json == done.json  # the first answer
    assert_problem(bring(service, table + "x,,,\n", headers=named), 422, "idempotency-key-reused")
    assert list(kept(service)) == ["mill", "ferry", "new"]


def test_an_export_that_is_imported_changes_nothing(service: Service) -> None:
    add(service, "=1+1", name="-5 dB", notes='a "b",\r\nc;d\te', gauss="7,2", extra={"=own": ["=x"], "n": "7"})
    add(service, "plain", **SAID)
    before = kept(service)
    table = service.client.get("/v1/pickups?format=csv")
    assert table.mimetype == "text/csv"
    assert table.headers["Content-Disposition"] == 'attachment; filename="pickups.csv"'
    assert service.client.get("/v1/pickups", headers={"Accept": "text/csv"}).data == table.data
    rows = list(csv.DictReader(io.StringIO(table.text, newline=""), strict=True))
    assert [(row["key"], row["name"]) for row in rows] == [("'=1+1", "'-5 dB"), ("plain", "Mill")]
    assert bring(service, table.data).json == {"made": 0, "changed": 0, "unchanged": 2, "measured_again": 0}
    for one in before.values():
        service.client.delete(one["links"]["self"])
    assert bring(service, b"\xef\xbb\xbf" + table.data).json["made"] == 2
    after = kept(service)
    for one in (*before.values(), *after.values()):
        del one["created"], one["updated"]
    assert after == before


def test_an_import_is_all_or_none_and_names_every_fault(refusing: Service) -> None:
    table = "key,turns,active\nnew,1,yes\nmill,many,yes\nother,2,perhaps\nnew,3,no\na/b,1,no\n"
    body = assert_problem(bring(refusing, table), 422, "csv-faulty")
    assert fields(body) == [
        "line 3, column `turns`",
        "line 4, column `active`",
        "line 5, column `key`",
        "line 6, column `key`",
    ]
    assert body["detail"].startswith("line 3, column `turns`: 'many'")
    body = assert_problem(bring(refusing, "key;dcr_ohm;wire_awg\nnew;7,2;42\nmill;-1;61\n"), 422, "csv-faulty")
    assert fields(body) == ["line 3, column `wire_awg`", "line 3, column `dcr_ohm`"]
    # A value that is good by itself, and too much with what is known already.
    wide = ",".join(f"own {number}" for number in range(MOST_EXTRA + 1))
    body = assert_problem(bring(refusing, f"key,{wide}\nmill{',1' * (MOST_EXTRA + 1)}\n"), 422, "csv-faulty")
    assert fields(body) == ["line 2, column `extra`"]


def test_imports_at_once_do_not_mix(together: list[Service]) -> None:
    keys = [f"k{number}" for number in range(20)]

    def import_one(number: int) -> TestResponse:
        order = keys if number % 2 else keys[::-1]  # rows locked one by one would wait for each other
        return bring(together[number % 2], "key,turns\n" + "".join(f"{key},{number + 1}\n" for key in order))

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(import_one, range(AT_ONCE)))
    assert [answer.status_code for answer in answers] == [200] * AT_ONCE
    assert sorted(answer.json["made"] for answer in answers) == [0] * (AT_ONCE - 1) + [len(keys)]
    found = kept(together[0])
    assert (set(found), len({one["turns"] for one in found.values()})) == (set(keys), 1)


HOSTILE: dict[str, tuple[bytes, str, str]] = {
    "empty": (b"", "line 1", "empty"),
    "blank": (b"\r\n \r\n,,\r\n", "line 1", "empty"),
    "a byte-order mark alone": (b"\xef\xbb\xbf", "line 1", "empty"),
    "100,000 columns": (b"key" + b",c" * 99_999 + b"\nmill" + b",1" * 99_999, "line 1", "has 100000 columns"),
    "100,000 columns without name": (b"key" + b"," * 99_999 + b"\nmill" + b",1" * 99_999, "line 2", "100000 cells"),
    "100,000 rows": (b"key\n" + b"mill\n" * 100_000, "body", "100000 rows"),
    "NUL": (b"key,name\nmill,a\x00b\n", "line 2", "NUL"),
    "latin-1": ("key,name\nnew,x\nmill,Mühle\n".encode("latin-1"), "line 3", "not UTF-8 (byte 0xfc)"),
    "UTF-16": ("key,name\nmill,x\n".encode("utf-16"), "line 1", "UTF-16"),
    "a cell of 131,073 characters": (b"key,notes\nmill," + b"x" * 131_073, "line 2", "field larger"),
    "a name of 131,073 characters": (b"key," + b"x" * 131_073, "line 1", "field larger"),
    "a cell longer than notes": (b"key,notes\nmill," + b"x" * 10_001, "line 2, column `notes`", "10000"),
    "a sheet larger than is kept": (b"key,own\nmill," + b"x" * MAX_BYTES, "line 2", f"at most {MAX_BYTES}"),
    "a quotation mark that is not closed": (b'key,name\nnew,"x"\nmill,"Mill\nother,y\n', "line 3", "quotation marks"),
    "a key twice": (b"key,name\nnew,a\nmill,b\n new ,c\n", "line 4, column `key`", "line 2 already"),
    "no key": (b"name,turns\nMill,1\n", "line 1", "no column is named `key`"),
    "JSON": (b'{"key": "mill"}', "line 1", "no column is named `key`"),
    "a number of 5,000 digits": (b"key,turns\nmill," + b"9" * 5_000, "line 2, column `turns`", "is too large"),
    "a separator too many": (b"key,name\nmill,x,y\n", "line 2", "3 cells under 2 columns"),
    "a line that is cut off": (b"key,name,turns\nnew,x,1\nmill,y", "line 3", "cut off"),
}


@pytest.mark.parametrize(("table", "place", "words"), HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_table_is_a_named_problem(refusing: Service, table: bytes, place: str, words: str) -> None:
    body = assert_problem(bring(refusing, table), 422, "csv-faulty")
    assert fields(body)[0] == place
    assert words in body["errors"][0]["message"]
    assert len(body["detail"]) < 1_000
    assert len(body["errors"][0]["message"]) < 1_000


def test_deeply_nested_text_of_ones_own_is_text(service: Service) -> None:
    assert bring(service, b"key,own\nmill," + b"[" * 20_000).json["made"] == 1
    assert kept(service)["mill"]["extra"]["own"] == "[" * 20_000


def test_a_table_that_is_too_large_or_in_another_code_is_refused_before_it_is_read(refusing: Service) -> None:
    body = assert_problem(bring(refusing, b"key\n" + b"x" * sheet_csv.MAX_BYTES), 413, "too-large")
    assert "Send less" in body["advice"]
    client = refusing.client
    answer = client.post("/v1/pickups", data=b"key\nk\n", content_type="text/csv; charset=latin-1")
    assert_problem(answer, 415, "not-json")
    answer = client.post("/v1/pickups", data=b"key\nk\n", content_type="text/plain")
    assert "text/csv" in assert_problem(answer, 415, "not-json")["detail"]
    answer = client.patch("/v1/pickups/mill", data=b"key\nk\n", content_type="text/csv")
    assert_problem(answer, 415, "not-json")
    assert_problem(client.post("/v1/pickups", data=b"{", content_type="application/json"), 400, "broken-json")


@pytest.mark.parametrize("address", ["/v1/pickups", "/v1/sessions"])
def test_the_openapi_document_says_in_which_forms_sheets_are_listed(refusing: Service, address: str) -> None:
    said = refusing.client.get("/v1/openapi.json").json["paths"][address]["get"]["responses"]
    assert set(said["200"]["content"]) == {"application/json", "text/csv"}
    assert "412" not in said  # a list has no tag, so that no state of it can be asked for
    for form in said["200"]["content"]:
        assert refusing.client.get(address, headers={"Accept": form, "If-Match": '"x"'}).mimetype == form


@pytest.mark.parametrize("key", ["", "a/b", "..", ".", " mill", "x" * 101, "a\nb", "a\u202eb", 7, None])
def test_a_key_must_fit_an_address(refusing: Service, key: Any) -> None:
    assert fields(assert_problem(add(refusing, key), 422, "invalid-request")) == ["key"]


@pytest.mark.parametrize(
    ("values", "place"),
    [
        ({"turns": 5400.5}, "turns"),
        ({"turns": "5400"}, "turns"),
        ({"turns": 0}, "turns"),
        ({"active": 1}, "active"),
        ({"dcr_ohm": -1}, "dcr_ohm"),
        ({"dcr_ohm": True}, "dcr_ohm"),
        ({"wire_awg": 61}, "wire_awg"),
        ({"name": "n" * 201}, "name"),
        ({"name": " "}, "name"),  # null says nothing; a blank is a slip
        ({"magnet": ["alnico"]}, "magnet"),
        ({"takes": 3}, "takes"),
        ({"links": {}}, "links"),
        ({"Turns": 5400}, "extra.Turns"),
        ({"dcr ohm": 5400}, "extra.dcr ohm"),
        ({" own": 1}, "extra. own"),
        ({"": 1}, "extra."),
        ({"conditions.pick": 1}, "extra.conditions.pick"),
        ({"extra": []}, "extra"),
        ({"extra": {"turns": 1}}, "extra.turns"),
        ({"gauss": 1, "extra": {"gauss": 2}}, "gauss"),
        ({"extra": {str(number): 0 for number in range(MOST_EXTRA + 1)}}, "extra"),
        ({"own": "x" * MAX_BYTES}, "body"),
    ],
)
def test_what_is_wrong_with_a_sheet_is_named(refusing: Service, values: dict[str, Any], place: str) -> None:
    assert fields(assert_problem(add(refusing, "new", **values), 422, "invalid-request")) == [place]
    answer = refusing.client.patch("/v1/pickups/mill", json=values)
    assert fields(assert_problem(answer, 422, "invalid-request")) == [place]


def test_every_fault_of_a_sheet_is_named_at_once(refusing: Service) -> None:
    body = assert_problem(add(refusing, "a/b", turns=0, active="yes"), 422, "invalid-request")
    assert set(fields(body)) == {"key", "turns", "active"}
    assert_problem(refusing.client.patch("/v1/pickups/mill", json={"key": "other"}), 422, "invalid-request")
    assert fields(assert_problem(add(refusing), 409, "pickup-exists")) == ["key"]


@pytest.mark.parametrize("key", ["none", "mi\x00ll", "\u202e", "x" * 3000])
def test_every_route_of_a_sheet_that_is_not_there_says_so(refusing: Service, key: str) -> None:
    client, here = refusing.client, f"/v1/pickups/{quote(key)}"
    for answer in (client.get(here), client.patch(here, json={}), client.delete(here)):
        assert len(assert_problem(answer, 404, "pickup-unknown")["detail"]) < 300
