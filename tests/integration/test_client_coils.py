"""The electrical model through the client and the command, against the real service."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench import Client
from served import served_service, typed_at


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served_service(tmp_path_factory.mktemp("coils")) as (_, address):
        yield address


def test_a_coil_and_a_winding_are_worked_out(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    coil = {"inductance_h": 2.5, "resistance_ohm": 6000.0, "capacitance_pf": 140.0}
    load = {"volume_pot_ohm": 250e3, "tone_pot_ohm": 250e3, "input_ohm": 1e6, "cable_pf": 470.0}
    with Client(url, retries=0) as client:
        found = client.coil(coil, load, {"awg": 42, "turns": 8000, "mean_turn_mm": 140})
    assert found.peak_hz == pytest.approx(3712.15, rel=1e-4)
    assert found.wire is not None
    assert found.wire.resistance_ohm == pytest.approx(6128.2, abs=0.1)
    command = typed_at(url, capsys)
    typed = [word for name, value in {**coil, **load}.items() for word in (f"--{name.replace('_', '-')}", f"{value}")]
    status, said, _ = command("coil", *typed)
    assert status == 0
    assert "3712 Hz, +3.7 dB" in said
    assert "|***" in said
    assert max(map(len, said.splitlines())) <= 120
    status, said, _ = command("coil", "--awg", "42", "--turns", "8000", "--mean-turn-mm", "140", "--json")
    assert json.loads(said)["wire"]["length_m"] == pytest.approx(1120)


def test_pair_turns_bobbin_and_a_saved_curve_are_had_from_the_command(
    url: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    command = typed_at(url, capsys)
    coil = ("--inductance-h", 2.1, "--resistance-ohm", 4000, "--capacitance-pf", 110, "--cable-pf", 500)
    status, said, _ = command("coil", *coil, "--combination", "parallel")
    assert status == 0
    assert "hum at 0 Hz      cancels" in said
    assert "2,000 ohm" in said
    bobbin = ("--core-length-mm", 56, "--core-width-mm", 5, "--height-mm", 11, "--depth-mm", 4.5)
    status, said, _ = command("coil", *coil, "--awg", 42, "--turns", 8000, *bobbin, "--turns-times", 1.2)
    assert status == 0
    assert "they fit" in said
    assert "1.2 times the turns" in said
    assert "do not fit" in said
    curve = tmp_path / "curve.csv"
    assert command("coil", *coil, "-o", curve)[0] == 0
    lines = curve.read_text().splitlines()
    assert lines[0] == "hz,db"
    assert len(lines) == 122


def test_what_is_missing_is_named(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = typed_at(url, capsys)
    assert command("coil")[0] == 2
    assert command("coil", "--combination", "series", "--cable-pf", 470)[0] == 2
    status, _, said = command("coil", "--inductance-h", 2.5, "--cable-pf", 470)
    assert status == 2
    assert "coil.resistance_ohm" in said
    status, _, said = command("coil", "--awg", "42")
    assert status == 2
    assert "turns" in said
