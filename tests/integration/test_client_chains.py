"""The client and its command `chain` against the real service: both sides of one contract."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import soundfile

import coilbench
from coilbench import Client
from http_recordings import DBU_V, RATE_HZ, TONE_PEAK, sine, strums_wav
from http_service import Service
from served import Said, served_service, typed_at


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """The service on a port of this machine, and its address."""
    with served_service(tmp_path_factory.mktemp("served")) as running:
        yield running


@pytest.fixture
def bench(served: tuple[Service, str]) -> Iterator[Client]:
    """A client; no chain is left behind."""
    with Client(served[1], retries=0) as client:
        yield client
        for chain in client.chains():
            client.remove_chain(chain.key)


@pytest.fixture
def command(served: tuple[Service, str], bench: Client, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    return typed_at(served[1], capsys)


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    """A recorded tone, fit to calibrate by."""
    path = tmp_path / "Ton Ω.wav"
    soundfile.write(path, sine(), RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def clipped(tmp_path: Path) -> Path:
    """A tone that is clipped and therefore distorted."""
    path = tmp_path / "clipped.wav"
    soundfile.write(path, (4 * sine(peak=0.5)).clip(-1, 1), RATE_HZ, subtype="PCM_24")
    return path


def test_chains_are_typed_and_whole(bench: Client, tone: Path) -> None:
    made = bench.add_chain("desk", name="The desk", gain_step_uncertainty_db=0.1)
    assert (made.key, made.name, made.gain_step_uncertainty_db, made.calibrations) == ("desk", "The desk", 0.1, ())
    stated = bench.calibrate("desk", input_gain_db=20, full_scale_dbu=6, uncertainty_db=0.2)
    newer = bench.calibrate("desk", input_gain_db=20, full_scale_v_rms=1.5, uncertainty_db=0.2)
    measured = bench.calibrate("desk", tone, input_gain_db=10, tone_v_rms=1.0, uncertainty_percent=1)
    assert (stated.by, stated.tone, stated.full_scale_dbu) == ("stated", None, pytest.approx(6))
    assert measured.tone is not None
    assert (measured.tone.file_name, measured.tone.file_bytes) == (tone.name, tone.stat().st_size)
    assert measured.full_scale_v_rms == pytest.approx(1 / TONE_PEAK, rel=1e-4)
    assert {line.source for line in measured.budget} > {"voltage of the tone"}
    chain = bench.chain("desk")
    assert chain.calibrations == (stated, newer, measured)
    assert chain.newest == (measured, newer)
    assert [one.key for one in bench.chains()] == ["desk"]
    assert bench.change_chain("desk", name=None, notes="left").notes == "left"
    bench.remove_calibration("desk", newer.id)
    assert bench.chain("desk").newest == (measured, stated)


def test_what_is_wrong_is_an_exception_that_says_so(bench: Client, tone: Path, clipped: Path) -> None:
    with pytest.raises(coilbench.NotFound, match="no chain 'none'"):
        bench.chain("none")
    bench.add_chain("desk")
    with pytest.raises(coilbench.Conflict, match="already"):
        bench.add_chain("desk")
    with pytest.raises(coilbench.BadDescription, match=r"gain_step_uncertainty_db must be a number, .* found inf"):
        bench.change_chain("desk", gain_step_uncertainty_db=float("inf"))
    with pytest.raises(coilbench.BadDescription, match=r"input_gain_db must be a number, .* found nan"):
        bench.calibrate("desk", tone, input_gain_db=float("nan"), tone_v_rms=1.0, uncertainty_percent=1)
    with pytest.raises(coilbench.Unprocessable, match="uncertainty_db: is missing"):
        bench.calibrate("desk", input_gain_db=20, full_scale_dbu=6)
    with pytest.raises(coilbench.ToneUnfit) as caught:
        bench.calibrate("desk", clipped, input_gain_db=10, tone_v_rms=1.0, uncertainty_percent=1)
    assert any("clipping" in fault for fault in caught.value.faults)
    with pytest.raises(coilbench.NotReadable, match=r"nothing\.wav can't be read"):
        bench.calibrate("desk", tone.with_name("nothing.wav"), input_gain_db=1, tone_v_rms=1, uncertainty_percent=1)
    with pytest.raises(coilbench.NotFound):
        bench.remove_calibration("desk", "none/../..")
    assert bench.chain("desk").calibrations == ()


def test_a_chain_is_added_calibrated_shown_listed_and_removed(
    command: Callable[..., Said], bench: Client, tone: Path
) -> None:
    assert command("chain", "list") == (0, "", "No chain yet; `coilbench chain add KEY` makes one.\n")
    assert command("chain", "add", "desk", "--name", "The desk")[0] == 0
    status, out, _ = command("chain", "calibrate", "desk", tone, "--gain", 11, "--volts", 1, "--uncertainty-percent", 2)
    assert status == 0
    assert "1000.0 Hz, steady within" in out
    assert "-15.05 dBFS RMS" in out  # 20 log10(0.25 / sqrt 2)
    assert "dB re the tone, noise included" in out
    assert "full scale      +14.26 dBu (4 V RMS) ± 0.17 dB (k = 2)" in out  # 20 log10(4 / 0.7746); 2 % are 0.174 dB
    assert "voltage of the tone" in out
    command("chain", "calibrate", "desk", "--gain", 20, "--full-scale-dbu", -4.5, "--uncertainty-db", 0.5)
    status, out, _ = command("chain", "list")
    assert (status, [line.split()[0] for line in out.splitlines()]) == (0, ["key", "desk", "20"])
    assert "-4.50 dBu" in out
    assert command("chain", "change", "desk", "--notes", "left input", "--gain-step-uncertainty-db", 0.1)[0] == 0
    assert (bench.chain("desk").notes, bench.chain("desk").gain_step_uncertainty_db) == ("left input", 0.1)
    assert command("chain", "change", "desk")[0] == 2
    command("chain", "calibrate", "desk", "--gain", 20, "--full-scale-volts", 1, "--uncertainty-db", 0)
    _, out, _ = command("chain", "show", "desk")
    assert "desk The desk" in out
    assert " ".join(out.split()).count("(a newer one counts)") == 1  # 80 columns break the line
    first = bench.chain("desk").calibrations[0]
    assert command("chain", "remove", "desk", "--calibration", first.id)[0] == 0
    assert command("chain", "remove", "desk") == (0, "", "Chain desk is deleted.\n")
    status, _, err = command("chain", "show", "desk")
    assert (status, err.splitlines()[0]) == (1, "coilbench: There is no chain 'desk'.")


def test_what_takes_inherit_of_a_chain_is_said_changed_and_shown(
    command: Callable[..., Said], bench: Client, served: tuple[Service, str]
) -> None:
    assert command("chain", "add", "desk", "--cable", "3 m, 470 pF", "--input-gain-db", "11")[0] == 0
    take = bench.take(served[0].sent(strums_wav(), "desk.wav", {"chain": "desk"})["id"])
    assert (take.described["cable"], take.described["input_gain_db"]) == ("3 m, 470 pF", 11.0)
    assert command("chain", "change", "desk", "--input-gain-db", "12")[0] == 0
    assert bench.take(take.id).described["input_gain_db"] == 12.0
    out = command("chain", "show", "desk")[1]
    assert "cable: 3 m, 470 pF" in out
    assert "gain: 12 dB, never changed" in out
    bench.delete(take)
    assert command("chain", "change", "desk")[0] == 2


def test_the_command_says_what_to_type_and_not_what_to_request(command: Callable[..., Said], clipped: Path) -> None:
    assert "`coilbench chain add KEY` makes one" in command("chain", "show", "desk")[2]
    command("chain", "add", "desk")
    tone = ("--gain", 11, "--volts", 1, "--uncertainty-percent", 2)
    for words, advice in (
        (("add", "desk"), "`coilbench chain change KEY`"),
        (("remove", "desk", "--calibration", "gone"), "`coilbench chain show KEY`"),
        (("calibrate", "desk", clipped, *tone), "Mend what is listed and record ten seconds"),
    ):
        status, _, err = command("chain", *words)
        assert status == 1
        assert advice in err.splitlines()[-1]


@pytest.mark.parametrize("number", ["nan", "inf", "-inf"])
def test_a_number_that_is_none_is_bad_usage(command: Callable[..., Said], number: str) -> None:
    command("chain", "add", "desk")
    status, _, err = command(
        "chain", "calibrate", "desk", "--gain", number, "--full-scale-dbu", 8, "--uncertainty-db", 1
    )
    assert (status, f"'{number}' is no number that can be measured" in err) == (2, True)


def test_programs_get_json(command: Callable[..., Said]) -> None:
    assert json.loads(command("chain", "add", "desk", "--json")[1])["key"] == "desk"
    typed = ("chain", "calibrate", "desk", "--gain", 20, "--full-scale-dbu", 0, "--uncertainty-db", 1, "--json")
    assert json.loads(command(*typed)[1])["full_scale_v_rms"] == pytest.approx(DBU_V)
    for words in (("list",), ("show", "desk")):
        assert json.loads(command("chain", *words, "--json")[1])["calibrations"][0]["by"] == "stated"


def test_an_unfit_tone_gives_1_with_each_fault(command: Callable[..., Said], clipped: Path) -> None:
    command("chain", "add", "desk")
    status, out, err = command(
        "chain", "calibrate", "desk", clipped, "--gain", 1, "--volts", 1, "--uncertainty-percent", 1
    )
    assert (status, out) == (1, "")
    lines = err.splitlines()
    assert lines[0].startswith("coilbench: ")
    assert "found in the tone; it was not kept." in lines[0]
    faults = [line.split(":")[0].strip() for line in lines[1:-1]]
    assert "file.clipped" in faults
    assert lines[-1].startswith("Mend what is listed")


@pytest.mark.parametrize(
    "words",
    [
        ["--gain", "1"],
        ["--gain", "1", "--full-scale-dbu", "6"],
        ["--gain", "1", "--full-scale-dbu", "6", "--full-scale-volts", "1", "--uncertainty-db", "1"],
        ["--full-scale-dbu", "6", "--uncertainty-db", "1"],
        ["--gain", "1", "--volts", "6", "--uncertainty-percent", "1"],
        ["TONE", "--gain", "1", "--volts", "6"],
        ["TONE", "--gain", "1", "--volts", "6", "--dbu", "1", "--uncertainty-percent", "1"],
        ["TONE", "--gain", "1", "--full-scale-dbu", "6", "--uncertainty-db", "1"],
        ["--gain", "1", "--full-scale-dbu", "6", "--uncertainty-db", "1", "--channel", "1"],
        ["--gain", "1", "--full-scale-dbu", "6", "--uncertainty-db", "-1"],
    ],
)
def test_half_a_calibration_is_bad_usage(command: Callable[..., Said], bench: Client, tone: Path, words: list) -> None:
    bench.add_chain("desk")
    status, _, err = command("chain", "calibrate", "desk", *(tone if word == "TONE" else word for word in words))
    assert status == 2
    assert err
    assert bench.chain("desk").calibrations == ()


def test_a_table_shows_millivolts_of_takes_that_were_measured_before(
    served: tuple[Service, str], command: Callable[..., Said], bench: Client
) -> None:
    take = served[0].measured(strums_wav(), about={"label": "open E", "chain": "desk", "input_gain_db": 20})
    _, out, _ = command("table")
    assert "gain-uncalibrated" in out
    assert "mV" not in out
    bench.add_chain("desk")
    bench.calibrate("desk", input_gain_db=20, full_scale_dbu=6, uncertainty_db=0.2)
    mean = bench.measurement(take["id"]).summary["rms_mv"]
    _, out, _ = command("table")
    assert f"{mean['mean']:.0f} ± {mean['expanded_uncertainty_mv']:.0f}" in out
    found = bench.measurement(take["id"])
    assert found.calibration is not None
    assert found.calibration["chain"] == "desk"
    assert [one.id for one in bench.takes(chain="desk")] == [take["id"]]
    assert command("status", "--chain", "desk")[1] == "1 measured\n"
    assert command("table", "--chain", "none")[2].startswith("No take fits")
    assert list(bench.takes(id=[])) == []
    assert len(bench.table(id=iter(()))) == 0
    assert len(bench.table(id=iter([take["id"]]))) == 1
