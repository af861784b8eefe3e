"""Sheets of pickups and sessions: calls and commands against the contract service."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import coilbench
from coilbench import Client
from coilbench.command import run
from coilbench.sheet_fields import pickup_fields, session_fields
from unit.client.contract_service import ContractService

Said = tuple[int, str, str]
FRAME = {"extra": {}, "takes": 3, "measured_takes": 2, "created": "2030-05-17T10:00:00Z"}
FRAME |= {"updated": "2030-05-17T10:00:00Z"}
MILL = {**FRAME, "key": "mill-bridge", "name": None, "notes": "wound twice", "active": False, "magnet": "ceramic"}
MILL |= {"turns": 5400, "dcr_ohm": 13900, "extra": {"wound by": "Ines"}, "construction": None}
TUESDAY = {**FRAME, "key": "tuesday", "name": "Tuesday", "notes": None, "date": "2030-05-17"}
TUESDAY |= {"conditions": {"pick": "1.0 mm", "expected_strums": 4, "cable": None, "extra": {"room": "cellar"}}}


@pytest.fixture
def sheets(service: ContractService) -> ContractService:
    """A service with one sheet of each kind."""
    for plural, sheet in (("pickups", MILL), ("sessions", TUESDAY)):
        bare = [{"key": "ferry-neck", "takes": 2, "measured_takes": 1}]
        service.answers["GET", f"/v1/{plural}"] = {"items": [sheet], "without_sheet": bare, "next": None}
        service.answers["GET", f"/v1/{plural}/{sheet['key']}"] = sheet
        service.answers["POST", f"/v1/{plural}"] = sheet
        service.answers["PATCH", f"/v1/{plural}/{sheet['key']}"] = sheet
        service.answers["DELETE", f"/v1/{plural}/{sheet['key']}"] = None
    return service


@pytest.fixture
def command(sheets: ContractService, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def typed(*arguments: object) -> Said:
        status = run(["--url", sheets.url, *map(str, arguments)])
        out, err = capsys.readouterr()
        return status, out, err

    return typed


def sent(service: ContractService, method: str) -> dict[str, Any]:
    """The JSON of the last request of a method."""
    body: dict[str, Any] = json.loads(service.requests(method)[-1].body)
    return body


def test_sheets_are_typed_and_what_is_not_said_is_none(bench: Client, sheets: ContractService) -> None:
    (mill,) = bench.pickups()
    assert (mill.key, mill.name, mill.notes) == ("mill-bridge", "", "wound twice")
    assert (mill.active, mill.magnet, mill.turns, mill.dcr_ohm) == (False, "ceramic", 5400, 13900.0)
    assert (mill.inductance_h, mill.construction, mill.potted) == (None, None, None)
    assert (mill.extra, mill.takes, mill.measured_takes) == ({"wound by": "Ines"}, 3, 2)
    assert bench.pickup("mill-bridge") == mill
    tuesday = bench.session("tuesday")
    assert list(bench.sessions()) == [tuesday]
    assert (tuesday.date, tuesday.name) == ("2030-05-17", "Tuesday")
    assert tuesday.conditions == {"pick": "1.0 mm", "expected_strums": 4, "extra": {"room": "cellar"}}
    assert bench.pickups_without_sheet() == [coilbench.WithoutSheet("ferry-neck", 2, 1)]
    assert bench.sessions_without_sheet() == [coilbench.WithoutSheet("ferry-neck", 2, 1)]


def test_what_is_made_and_changed_goes_to_the_service_as_said(bench: Client, sheets: ContractService) -> None:
    bench.add_pickup("mill-bridge", magnet="ceramic", dcr_ohm=13900)
    assert sent(sheets, "POST") == {"key": "mill-bridge", "magnet": "ceramic", "dcr_ohm": 13900}
    assert "Idempotency-Key" in sheets.requests("POST")[-1].headers
    bench.change_pickup("mill-bridge", magnet=None)
    assert sent(sheets, "PATCH") == {"magnet": None}
    bench.add_session("tuesday", conditions={"pick": "1.0 mm"})
    assert sent(sheets, "POST") == {"key": "tuesday", "conditions": {"pick": "1.0 mm"}}
    bench.change_session("tuesday", date=None)
    bench.remove_session("tuesday")
    bench.remove_pickup("mill-bridge")
    assert [seen.path for seen in sheets.requests("DELETE")] == ["/v1/sessions/tuesday", "/v1/pickups/mill-bridge"]


def test_a_key_can_not_lead_to_another_address(bench: Client, sheets: ContractService) -> None:
    with pytest.raises(coilbench.NotFound):
        bench.remove_pickup("none/../mill-bridge?x")
    assert sheets.requests("DELETE")[-1].path == "/v1/pickups/none%2F..%2Fmill-bridge%3Fx"


def test_numbers_that_json_has_not_are_refused_before_anything_is_sent(bench: Client, sheets: ContractService) -> None:
    with pytest.raises(coilbench.BadDescription, match="dcr_ohm must be a number"):
        bench.add_pickup("mill-bridge", dcr_ohm=float("nan"))
    assert sheets.seen == []


def test_an_answer_that_is_no_sheet_is_told(bench: Client, sheets: ContractService) -> None:
    sheets.answers["GET", "/v1/pickups/odd"] = {"key": "odd"}
    with pytest.raises(coilbench.UnreadableAnswer, match="not a pickup"):
        bench.pickup("odd")


def test_a_table_is_imported_as_its_bytes_are(bench: Client, sheets: ContractService, tmp_path: Path) -> None:
    table = tmp_path / "pickups.csv"
    table.write_bytes("\ufeffkey;magnet\r\nmühle;ceramic\r\n".encode())
    sheets.answers["POST", "/v1/pickups"] = {"made": 1, "changed": 2, "unchanged": 3, "measured_again": 0}
    assert bench.import_pickups(table) == coilbench.Imported(1, 2, 3, 0)
    request = sheets.requests("POST")[-1]
    assert (request.headers["Content-Type"], request.body) == ("text/csv", table.read_bytes())
    with pytest.raises(coilbench.NotReadable, match=r"gone\.csv can't be read"):
        bench.import_sessions(tmp_path / "gone.csv")


def test_an_export_is_text_and_a_file(bench: Client, sheets: ContractService, tmp_path: Path) -> None:
    table = "key,magnet\r\nmühle,ceramic\r\n"
    for plural, export in (("pickups", bench.export_pickups), ("sessions", bench.export_sessions)):
        sheets.fail("GET", f"/v1/{plural}", 200, body=table.encode())
        assert export(tmp_path / f"{plural}.csv") == table
        assert (tmp_path / f"{plural}.csv").read_bytes() == table.encode()
        assert sheets.requests("GET")[-1].query == {"format": ["csv"]}
        with pytest.raises(coilbench.NotSaved):
            export(tmp_path / "gone" / "p.csv")


def test_fields_are_typed_by_their_names() -> None:
    assert pickup_fields(["active=yes", "potted=false", "turns=5400", "dcr_ohm=13900", "name=12", "magnet="]) == {
        "active": True,
        "potted": False,
        "turns": 5400,
        "dcr_ohm": 13900.0,
        "name": "12",
        "magnet": None,
    }
    assert pickup_fields(["gauss=640", "wound by=Ines", "odd=NaN", "tested=true"]) == {
        "gauss": 640,
        "wound by": "Ines",
        "odd": "NaN",
        "tested": True,
    }
    typed = ["date=2030-05-17", "pick=1.0 mm", "expected_strums=4", "conditions.room=cellar", "rain=1"]
    assert session_fields(typed) == {
        "date": "2030-05-17",
        "conditions": {"pick": "1.0 mm", "expected_strums": 4, "room": "cellar"},
        "rain": 1,
    }  # fmt: skip
    assert session_fields(["pick=", "conditions.room="]) == {"conditions": {"pick": None, "room": None}}


def test_list_shows_sheets_and_names_keys_without_one(command: Callable[..., Said]) -> None:
    status, out, err = command("pickup", "list")
    assert status == 0
    assert out.splitlines()[-1].split() == ["mill-bridge", "passive", "ceramic", "13900", "3"]
    assert err == "Without a sheet: ferry-neck (2 takes).\n"
    _, out, _ = command("session", "list")
    assert "tuesday" in out
    assert "pick 1.0 mm, expected_strums 4, room cellar" in out
    _, out, err = command("pickup", "list", "--json")
    assert (json.loads(out), err) == (MILL, "")


def test_show_has_every_field_that_is_said(command: Callable[..., Said]) -> None:
    _, out, _ = command("pickup", "show", "mill-bridge")
    assert [line.split() for line in out.splitlines()] == [
        ["mill-bridge"],
        ["magnet", "ceramic"],
        ["active", "no"],
        ["turns", "5400"],
        ["dcr_ohm", "13900"],
        ["wound", "by", "Ines"],
        ["takes", "3,", "2", "of", "them", "measured"],
        ["wound", "twice"],
    ]
    _, out, _ = command("session", "show", "tuesday")
    assert [line.split() for line in out.splitlines()][1:4] == [
        ["date", "2030-05-17"],
        ["pick", "1.0", "mm"],
        ["expected_strums", "4"],
    ]
    assert "conditions.room" in out
    assert json.loads(command("session", "show", "tuesday", "--json")[1]) == TUESDAY


def test_a_sheet_is_added_changed_and_removed(command: Callable[..., Said], sheets: ContractService) -> None:
    status, out, err = command("pickup", "add", "mill-bridge", "--set", "dcr_ohm=13900", "--set", "magnt=x")
    assert (status, out) == (0, "")
    assert err == "Kept as fields of your own: magnt.\nThe sheet of pickup mill-bridge is there.\n"
    assert sent(sheets, "POST") == {"key": "mill-bridge", "dcr_ohm": 13900.0, "magnt": "x"}
    assert "of your own" not in command("session", "set", "tuesday", "question=Why?", "reference=mill-bridge")[2]
    assert command("session", "set", "tuesday", "pick=", "player=Ines")[0] == 0
    assert sent(sheets, "PATCH") == {"conditions": {"pick": None, "player": "Ines"}}
    assert command("pickup", "remove", "mill-bridge") == (0, "", "The sheet of pickup mill-bridge is deleted.\n")
    status, out, _ = command("session", "add", "tuesday", "--json")
    assert (status, json.loads(out)["key"]) == (0, "tuesday")


def test_import_counts_and_export_saves(command: Callable[..., Said], sheets: ContractService, tmp_path: Path) -> None:
    table = tmp_path / "s.csv"
    table.write_text("key\n")
    sheets.answers["POST", "/v1/sessions"] = {"made": 1, "changed": 0, "unchanged": 2, "measured_again": 1}
    assert command("session", "import", table)[1] == "1 made, 0 changed, 2 unchanged; 1 take measured again.\n"
    assert json.loads(command("session", "import", table, "--json")[1])["made"] == 1
    sheets.fail("GET", "/v1/pickups", 200, body=b"key\r\n")
    assert command("pickup", "export") == (0, "key\r\n", "")
    sheets.fail("GET", "/v1/pickups", 200, body=b"key\r\n")
    status, out, err = command("pickup", "export", "-o", tmp_path / "p.csv")
    assert (status, out, err) == (0, "", f"{tmp_path / 'p.csv'}: the sheets of all pickups.\n")
    assert (tmp_path / "p.csv").read_bytes() == b"key\r\n"


def test_a_faulty_table_gives_1_with_every_line(
    command: Callable[..., Said], sheets: ContractService, tmp_path: Path
) -> None:
    table = tmp_path / "p.csv"
    table.write_text("key,turns\na,x\nb,y\n")
    errors = [{"field": f"line {line}, column `turns`", "message": "is no number"} for line in (2, 3)]
    problem = {"type": "/problems/csv-faulty", "title": "The table has cells that can't be used", "status": 422}
    problem |= {"detail": "2 faults.", "advice": "POST it again.", "errors": errors}
    sheets.fail("POST", "/v1/pickups", 422, body=problem)
    status, out, err = command("pickup", "import", table)
    assert (status, out) == (1, "")
    assert "  line 2, column `turns`: is no number\n  line 3, column `turns`: is no number\n" in err
    assert err.splitlines()[-1].startswith("Correct what is listed and import the whole table again")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["pickup", "add", "x", "--set", "turns=many"], "turns must be a whole number"),
        (["pickup", "add", "x", "--set", "dcr_ohm=nan"], "dcr_ohm must be a number"),
        (["pickup", "add", "x", "--set", "active=perhaps"], "active must be yes or no"),
        (["pickup", "add", "x", "--set", "active"], "not of the form NAME=VALUE"),
        (["pickup", "set", "x"], "Missing argument"),
        (["session", "set", "x", "expected_strums=some"], "expected_strums must be a whole number"),
        (["pickup", "import", "gone.csv"], "does not exist"),
        (["pickup", "export", "-o", "t.xlsx"], "sheets are written as .csv"),
        (["pickup", "export", "-o", "gone/t.csv"], "there is no folder gone"),
    ],
)
def test_bad_usage_gives_2_and_asks_nothing(
    command: Callable[..., Said],
    sheets: ContractService,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    message: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = command(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert sheets.seen == []
