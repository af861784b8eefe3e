"""The client and its commands `pickup` and `session` against the real service: both sides of one contract."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

import coilbench
from coilbench import Client
from coilbench.sheet import PICKUP_FIELDS
from coilbench_service.about import Conditions
from coilbench_service.sheet import PickupSheet, SessionSheet
from http_recordings import strums_wav
from http_service import Service
from served import Command, served_service, typed_at

TABLE = """key;construction;active;magnet;dcr_ohm;turns;wound by
mill-bridge;humbucker;no;ceramic;13900,5;5400;Ines
ferry-neck;rail;yes;;;;
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """The service on a port of this machine, and its address."""
    with served_service(tmp_path_factory.mktemp("served")) as running:
        yield running


@pytest.fixture
def bench(served: tuple[Service, str]) -> Iterator[Client]:
    """A client; no sheet is left behind."""
    with Client(served[1], retries=0) as client:
        yield client
        for pickup in client.pickups():
            client.remove_pickup(pickup.key)
        for session in client.sessions():
            client.remove_session(session.key)


@pytest.fixture
def command(served: tuple[Service, str], bench: Client, capsys: pytest.CaptureFixture[str]) -> Command:
    return typed_at(served[1], capsys)


def test_the_client_knows_the_fields_that_the_service_knows() -> None:
    assert set(PICKUP_FIELDS) == set(PickupSheet.model_fields) - {"extra"}
    assert set(coilbench.sheet.SESSION_FIELDS) == set(SessionSheet.model_fields) - {"extra", "conditions"}
    assert set(Conditions.model_fields) - {"extra"} < set(coilbench.description.FIELDS)


def test_every_field_of_a_pickup_comes_back_as_it_was_said(bench: Client) -> None:
    said = {
        **dict.fromkeys(
            ("name", "notes", "construction", "magnet", "base_plate", "cover", "position", "guitar"), "Ω x"
        ),
        "active": True,
        "potted": False,
        "turns": 5400,
        "wire_awg": 42.5,
        "dcr_ohm": 13900.0,
        "battery_v": 9.0,
        "dcr_temperature_c": 21.5,
        "inductance_h": 4.4,
        "capacitance_pf": 90.0,
        "pole_spacing_mm": 50.0,
        "rated_output_mv": 430.0,
        "preamp_gain_db": 18.0,
        "mean_turn_mm": 110.0,
        "volume_pot_ohm": 5e5,
        "tone_pot_ohm": 2.5e5,
        "tone_capacitor_nf": 22.0,
    }
    assert set(said) == set(PICKUP_FIELDS)
    made = bench.add_pickup("mill bridge", **said, gauss=640)
    assert {name: getattr(made, name) for name in said} == said
    assert made.extra == {"gauss": 640}
    bare = bench.change_pickup("mill bridge", **dict.fromkeys(said), gauss=None)
    assert {getattr(bare, name) for name in said} == {None, ""}
    assert bare.extra == {}


def test_what_is_wrong_is_an_exception_that_says_so(bench: Client, tmp_path: Path) -> None:
    for kind, read, add in (
        ("pickup", bench.pickup, bench.add_pickup),
        ("session", bench.session, bench.add_session),
    ):
        with pytest.raises(coilbench.NotFound, match=f"no sheet of a {kind} 'none'"):
            read("none")
        add("here")
        with pytest.raises(coilbench.Conflict, match="already"):
            add("here")
        with pytest.raises(coilbench.Unprocessable, match="key"):
            add("a/b")
    with pytest.raises(coilbench.Unprocessable, match="dcr_ohm"):
        bench.add_pickup("odd", dcr_ohm=-1)
    table = tmp_path / "p.csv"
    table.write_text("key,turns\na,1\nb,many\n")
    with pytest.raises(coilbench.Unprocessable) as caught:
        bench.import_pickups(table)
    assert [error.field for error in caught.value.problem.errors] == ["line 3, column `turns`"]
    assert [one.key for one in bench.pickups()] == ["here"]


def test_an_export_can_be_edited_and_imported_again(command: Command, bench: Client, tmp_path: Path) -> None:
    table = tmp_path / "pickups.csv"
    table.write_text(TABLE, encoding="utf-8")
    assert command("pickup", "import", table)[:2] == (0, "2 made, 0 changed, 0 unchanged.\n")
    mill = bench.pickup("mill-bridge")
    assert (mill.dcr_ohm, mill.turns, mill.active, mill.extra) == (13900.5, 5400, False, {"wound by": "Ines"})
    out = tmp_path / "again.csv"
    assert command("pickup", "export", "-o", out)[0] == 0
    assert [row["magnet"] for row in csv.DictReader(io.StringIO(out.read_text("utf-8")))] == ["ceramic", ""]
    assert command("pickup", "import", out)[1] == "0 made, 0 changed, 2 unchanged.\n"
    out.write_text(out.read_text("utf-8").replace("ceramic", "alnico 5"), encoding="utf-8")
    assert command("pickup", "import", out)[1] == "0 made, 1 changed, 1 unchanged.\n"
    assert bench.pickup("mill-bridge").magnet == "alnico 5"
    assert command("pickup", "export")[1].replace("\r\n", "\n") == bench.export_pickups().replace("\r\n", "\n")


def test_a_take_inherits_from_its_session_and_a_change_measures_again(
    served: tuple[Service, str], command: Command, bench: Client
) -> None:
    take = served[0].measured(strums_wav(), about={"label": "open E", "session": "tuesday", "pickup": "mill-bridge"})
    status, _, err = command("session", "list")
    assert (status, err.splitlines()[-1]) == (0, "Without a sheet: tuesday (1 take).")
    command("session", "add", "tuesday", "--set", "pick=1.0 mm", "--set", "conditions.room=cellar")
    (session,) = bench.sessions()
    assert (session.takes, session.measured_takes) == (1, 1)
    assert session.conditions == {"pick": "1.0 mm", "extra": {"room": "cellar"}}
    assert command("session", "set", "tuesday", "pick=", "expected_strums=4")[0] == 0
    assert bench.session("tuesday").conditions == {"expected_strums": 4, "extra": {"room": "cellar"}}
    served[0].work()
    assert "strum-count" in {check.code for check in bench.measurement(take["id"]).checks}
    assert "expected_strums 4, room cellar" in command("session", "list")[1]
    assert json.loads(command("session", "show", "tuesday", "--json")[1])["takes"] == 1
    assert command("session", "remove", "tuesday")[0] == 0


def test_the_command_says_what_to_type_and_not_what_to_request(command: Command) -> None:
    for kind in ("pickup", "session"):
        assert f"`coilbench {kind} list` lists the sheets" in command(kind, "show", "none")[2]
        command(kind, "add", "here")
        status, _, err = command(kind, "add", "here")
        assert (status, f"`coilbench {kind} set KEY NAME=VALUE`" in err) == (1, True)
    status, _, err = command("session", "set", "here", "label=x")
    assert (status, "it can't be inherited" in err) == (2, True)
