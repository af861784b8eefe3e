"""The commands, in this process, against the contract service."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

import coilbench as coilbench_package
from coilbench.client import Client
from coilbench.command import run
from coilbench.command.headline import PIPED_WIDTH
from coilbench.description import FIELDS
from unit.client.contract_service import COLUMNS, ContractService

Said = tuple[int, str, str]
"""Exit status, standard output, standard error."""


@pytest.fixture
def coilbench(service: ContractService, capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def command(*arguments: object) -> Said:
        status = run(["--url", service.url, *map(str, arguments)])
        out, err = capsys.readouterr()
        return status, out, err

    return command


def test_send_waits_shows_the_table_and_saves_it(
    coilbench: Callable[..., Said], recordings: Path, tmp_path: Path
) -> None:
    output = tmp_path / "table.xlsx"
    status, out, err = coilbench("send", recordings, "--set", "pickup=mill-bridge", "--wait", "-o", output)
    assert status == 0
    assert "a.wav" in out
    assert "mill-bridge" in out
    assert "± 1.0" in out
    assert "± half of the 95 % interval of the mean" in out
    assert "Passed over, no sound files: notes.txt, old/" in err
    assert "3 sent" in err
    assert f"{output}: 3 rows" in err
    sheet = openpyxl.load_workbook(output)["takes"]
    assert [cell.value for cell in sheet["B"]] == ["file", "a.wav", "b.flac", "c.AIFF"]
    assert all(cell.data_type == "n" for cell in sheet["I"][1:])


def test_send_without_wait_tells_how_to_go_on(coilbench: Callable[..., Said], recordings: Path) -> None:
    status, out, err = coilbench("send", recordings)
    assert status == 0
    assert out.count("waiting") == 3
    assert "coilbench status" in err


def test_a_second_send_skips(coilbench: Callable[..., Said], recordings: Path) -> None:
    coilbench("send", recordings)
    status, out, err = coilbench("send", recordings)
    assert status == 0
    assert out.count("same bytes, skipped") == 3
    assert err.endswith(
        "3 same bytes, skipped\n`coilbench status` says how far they are, `coilbench table` shows the figures.\n"
    )


def test_a_dry_run_sends_nothing(coilbench: Callable[..., Said], service: ContractService, recordings: Path) -> None:
    coilbench("send", recordings / "a.wav")
    status, out, _ = coilbench("send", recordings, "--dry-run")
    assert status == 0
    assert [line.split("  ")[0] for line in out.splitlines()] == ["a.wav", "b.flac", "c.AIFF"]
    assert out.count("would be sent") == 2
    assert out.count("same bytes, skipped") == 1
    assert len(service.posted()) == 1


def test_the_manifest_in_the_folder_is_picked_up_and_said_so(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path
) -> None:
    (recordings / "takes.csv").write_text("file;pickup;tags\na.wav;mill;dry\nb.flac;harbour;\n")
    status, _, err = coilbench("send", recordings, "--set", "pickup=other")
    assert status == 0
    assert f"Descriptions come from {recordings / 'takes.csv'}." in err
    assert "Without a line in the manifest: c.AIFF" in err
    assert "takes.csv" not in err.partition("Passed over")[2]
    assert [take["about"]["pickup"] for take in service.takes.values()] == ["mill", "harbour", "other"]


def test_a_faulty_manifest_sends_nothing(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path
) -> None:
    (recordings / "takes.csv").write_text("file,channel\na.wav,left\n")
    status, _, err = coilbench("send", recordings)
    assert status == 2
    assert "takes.csv: line 2, column `channel`" in err
    assert service.seen == []


def test_a_refused_file_and_a_rejected_take_give_1_with_reasons(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path
) -> None:
    service.reject(service.add(b"a.wav" * 1000, "a.wav", {}))
    service.fail("POST", "/v1/takes", 415, body={"title": "Not sound", "status": 415, "advice": "Send a WAV."})
    status, out, err = coilbench("send", recordings, "--wait")
    assert status == 1
    assert "rejected  a.wav  (t1)" in out
    assert "No strum was found. The loudest moment is at -71 dBFS" in out
    assert "    Check the cable and record again." in out
    assert "not sent  b.flac\n    Not sound.\n    Send a WAV." in out
    assert err.splitlines()[-1] == "1 sent, 1 same bytes, skipped, 1 not sent"


def test_checks_stand_beneath_the_table_with_their_advice(
    coilbench: Callable[..., Said], service: ContractService
) -> None:
    for number in range(5):
        service.add(bytes([number]), f"{number}.wav", {"label": f"strum {number}"}, "measured")["checks"] = "clipped"
    status, out, _ = coilbench("table")
    assert status == 0
    assert "caution  clipped  (5 takes)" in out
    assert "    strum 0, strum 1, strum 2: clipped: 3 runs at full scale" in out
    assert "    and 2 more\n    Turn down.\n" in out


def test_json_gives_one_object_a_line(coilbench: Callable[..., Said], recordings: Path) -> None:
    status, out, _ = coilbench("send", recordings, "--wait", "--json", "--per", "strum")
    assert status == 0
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["outcome"] for line in lines] == ["sent"] * 3
    assert [line["take"]["state"] for line in lines] == ["measured"] * 3
    assert lines[0]["rows"][0]["strum"] == 1
    assert lines[0]["error"] is None
    status, out, _ = coilbench("table", "--json")
    assert [json.loads(line)["file"] for line in out.splitlines()] == ["a.wav", "b.flac", "c.AIFF"]
    status, out, _ = coilbench("status", "--json")
    assert {json.loads(line)["state"] for line in out.splitlines()} == {"measured"}


def test_status_counts_and_lists(coilbench: Callable[..., Said], service: ContractService) -> None:
    assert coilbench("status")[:2] == (0, "no takes yet; `coilbench send FOLDER` sends some\n")
    service.add(b"1", "1.wav", {"label": "first"})
    service.add(b"2", "2.wav", {}, "measured")
    assert coilbench("status")[:2] == (0, "1 waiting, 1 measured\nwaiting  first  (t1)\n")
    service.reject(service.takes["t1"])
    status, out, _ = coilbench("status")
    assert status == 1
    assert out.startswith("1 measured, 1 rejected\nrejected  first  (t1)\n    No strum was found.")
    assert coilbench("status", "t2")[:2] == (0, "1 measured\n")
    assert coilbench("status", "--state", "measured")[:2] == (0, "1 measured\n")
    status, _, err = coilbench("status", "t9")
    assert status == 1
    assert err == "coilbench: There is no such take.\n"


def test_a_table_can_be_saved_filtered_and_tells_of_rejected_takes(
    coilbench: Callable[..., Said], service: ContractService, tmp_path: Path
) -> None:
    service.add(b"1", "1.wav", {"pickup": "mill"}, "measured")
    service.reject(service.add(b"2", "2.wav", {"pickup": "harbour"}))
    status, out, err = coilbench("table", "--pickup", "mill", "-o", tmp_path / "t.csv")
    assert (status, out) == (0, "")
    assert "1 row of 11 columns" in err
    assert (tmp_path / "t.csv").read_text().count("\n") == 2
    status, out, _ = coilbench("table", "--per", "strum")
    assert status == 1
    assert "rejected  2.wav" in out
    status, out, _ = coilbench("table", "--quantities", "rms_dbfs")
    assert "rms_dbfs" in out


def test_eighty_columns_hold_level_crest_and_balance(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.add(b"1", "a-recording-with-a-name.wav", {}, "measured")["checks"] = "clipped, hum, noisy, uneven-strums"
    usual = ["crest_db", "attack_ms", "decay_db_per_s", "sustain_20_s", "bass_db", "middle_db", "treble_db"]
    columns = COLUMNS["take"]
    monkeypatch.setitem(COLUMNS, "take", [*columns, *((key, "dB") for key in usual)])
    plain = service.row
    monkeypatch.setattr(service, "row", lambda take, per: {**plain(take, per), **dict.fromkeys(usual, -10.25)})
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = coilbench("table")
    head, unit, rule, row, *_ = out.splitlines()
    assert max(len(line) for line in (head, unit, rule, row)) <= 80
    assert all(word in head for word in ("level", "crest", "bass", "mid", "treble"))
    assert "±" in row
    assert "sustain_20_s, attack_ms" in out


def test_columns_without_any_text_are_not_shown(coilbench: Callable[..., Said], service: ContractService) -> None:
    service.add(b"1", "1.wav", {}, "measured")
    _, out, _ = coilbench("table")
    assert "pickup" not in out
    service.add(b"2", "2.wav", {"pickup": "mill"}, "measured")
    _, out, _ = coilbench("table")
    assert "pickup" in out


def test_a_table_fits_the_width_and_names_what_it_left_out(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.add(b"1", "a-very-long-name-of-a-recording-that-nobody-should-give.wav", {"pickup": "p" * 40}, "measured")
    monkeypatch.delenv("COLUMNS", raising=False)
    _, out, _ = coilbench("table")
    assert max(len(line) for line in out.splitlines()) <= PIPED_WIDTH
    monkeypatch.setenv("COLUMNS", "60")
    _, out, _ = coilbench("table")
    assert max(len(line) for line in out.splitlines()) <= 60
    assert "left out for want of width: pickup" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["send"], "Name a folder, files, or a --manifest"),
        (["send", "gone"], "There is no file or folder gone"),
        (["send", ".", "--set", "pickup"], "not of the form name=value"),
        (["send", ".", "--wait", "-o", "t.ods"], "a table is saved as .csv, .xlsx, .json"),
        (["send", ".", "--wait", "-o", "gone/t.csv"], "there is no folder gone"),
        (["send", ".", "--dry-run", "--wait"], "--dry-run measures nothing"),
        (["table", "--since", "yesterday"], "'yesterday' is no date"),
        (["table", "--per", "guitar"], "'guitar' is not one of"),
        (["status", "t1", "--state", "measured"], "give either IDs or filters"),
        (["measure"], "No such command"),
        (["status", "--url", "bench"], "not an address"),
    ],
)
def test_bad_usage_gives_2_and_says_what_is_wrong(
    coilbench: Callable[..., Said],
    service: ContractService,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    message: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = coilbench(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert service.seen == []


def test_a_folder_without_sound_is_bad_usage(coilbench: Callable[..., Said], tmp_path: Path) -> None:
    status, _, err = coilbench("send", tmp_path)
    assert status == 2
    assert "There is no sound file (wav, rf64, flac, aif, aiff)" in err


def test_a_service_that_goes_away_is_told_with_what_was_sent(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbench.patience.Patience.wait_s", lambda *_: None)
    service.fail("GET", "/v1/takes/t2", lose="before")
    status, out, err = coilbench("send", recordings, "--wait")
    assert status == 1
    assert "a.wav" in out
    assert "No answer from" in err
    assert "2 files are not sent. Give the same command again and it goes on there." in err
    status, _, err = coilbench("send", recordings)
    assert status == 0
    assert "1 sent, 2 same bytes, skipped" in err


def test_ctrl_c_tells_how_to_go_on(
    coilbench: Callable[..., Said], recordings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Client, "wait", interrupted)
    status, out, err = coilbench("send", recordings, "--wait")
    assert (status, out) == (130, "")
    assert "Stopped. 3 of 3 files are with the service" in err
    assert "give the same command again" in err
    monkeypatch.setattr(Client, "takes", interrupted)
    status, _, err = coilbench("status")
    assert status == 130
    assert "Stopped." in err


def test_help_of_send_names_every_field_of_a_description(coilbench: Callable[..., Said]) -> None:
    _, out, _ = coilbench("send", "--help")
    for field in FIELDS:
        assert field in out


def test_progress_is_not_shown_where_there_is_no_terminal(coilbench: Callable[..., Said], recordings: Path) -> None:
    _, _, err = coilbench("send", recordings, "--wait")
    assert "sending" not in err
    assert "measuring" not in err


def test_two_takes_of_one_pickup_are_told_apart_on_a_narrow_screen(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    for place, label in enumerate(("mill-bridge in the workshop, first try", "mill-bridge in the workshop, open E")):
        service.add(bytes([place]), f"{place}.wav", {"label": label}, "measured")
    monkeypatch.setenv("COLUMNS", "60")
    _, out, _ = coilbench("table")
    assert max(len(line) for line in out.splitlines()) <= 60
    assert "first try" in out
    assert "open E" in out
    assert "…" not in out


def test_takes_that_share_a_label_are_shown_with_their_files(
    coilbench: Callable[..., Said], service: ContractService
) -> None:
    for name in ("monday.wav", "tuesday.wav"):
        service.add(name.encode(), name, {"label": "open E"}, "measured")
    service.add(b"3", "other.wav", {"label": "open A"}, "measured")
    _, out, _ = coilbench("table")
    assert "open E (monday)" in out
    assert "open E (tuesday)" in out
    assert "other" not in out


def test_a_quantity_that_there_is_not_is_bad_usage_and_names_the_way_to_the_list(
    coilbench: Callable[..., Said], service: ContractService
) -> None:
    problem = {
        "type": "/problems/invalid-request",
        "title": "The request has values that can't be used",
        "status": 422,
        "detail": "quantities: 'nope' is not a quantity",
        "advice": "Correct the fields listed under errors.",
        "errors": [{"field": "quantities", "message": "'nope' is not a quantity"}],
    }
    service.fail("GET", "/v1/table", 422, body=problem)
    status, out, err = coilbench("table", "--quantities", "nope")
    assert (status, out) == (2, "")
    assert err.splitlines() == [
        "coilbench: The request has values that can't be used.",
        "  quantities: 'nope' is not a quantity",
        "`coilbench table --list-quantities` lists those that there are.",
    ]


def test_the_quantities_are_listed_with_unit_and_definition(coilbench: Callable[..., Said]) -> None:
    status, out, _ = coilbench("table", "--list-quantities")
    assert status == 0
    assert out.splitlines()[0].split() == ["key", "unit", "definition"]
    assert out.splitlines()[1].split()[:2] == ["rms_dbfs", "dBFS"]
    status, out, _ = coilbench("table", "--list-quantities", "--json")
    assert (status, json.loads(out)["key"]) == (0, "rms_dbfs")


def test_the_fields_at_fault_of_a_file_that_was_refused_are_listed(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path
) -> None:
    errors = [{"field": "about.channel", "message": "is 0"}, {"field": "about.battery_v", "message": "is negative"}]
    problem = {"title": "The description can't be used", "status": 422, "advice": "Correct it.", "errors": errors}
    service.fail("POST", "/v1/takes", 422, body=problem)
    status, out, _ = coilbench("send", recordings / "a.wav")
    assert status == 1
    assert "    The description can't be used.\n      about.channel: is 0\n      about.battery_v: is negative" in out


def test_a_take_that_is_unusable_is_named_in_the_last_line_and_counts_as_measured(
    coilbench: Callable[..., Said], service: ContractService, recordings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = service.row
    monkeypatch.setattr(
        service, "row", lambda take, per: {**plain(take, per), "usable": take["file"]["name"] != "b.flac"}
    )
    status, _, err = coilbench("send", recordings, "--wait", "--per", "strum")
    assert status == 0
    assert err.splitlines()[-1] == "1 of 3 can't carry a comparison: b.flac."
    status, _, err = coilbench("table")
    assert (status, err) == (0, "1 of 3 can't carry a comparison: b.flac.\n")
    _, out, _ = coilbench("send", "--help")
    assert "can't carry a comparison" in " ".join(out.split())


def short(service: ContractService, monkeypatch: pytest.MonkeyPatch, reasons: dict[str, str], takes: int = 1) -> None:
    """Takes whose attack is empty, with these reasons; there is no reason but for `reasons`."""
    for number in range(takes):
        service.add(bytes([number]), f"{number}.wav", {"label": f"take {number}"}, "measured")
    plain = service.row
    monkeypatch.setattr(service, "row", lambda take, per: {**plain(take, per), "attack_ms": None, "reasons": reasons})
    further = [("attack_ms", "ms"), ("octave_db_63", "dB"), ("reasons", "")]
    monkeypatch.setitem(COLUMNS, "take", [*COLUMNS["take"], *further])


def test_beneath_the_table_stands_why_cells_are_empty(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    short(service, monkeypatch, {"attack_ms": "it ends after 0.05 s", "sustain_20_s": "never shown here"}, takes=5)
    _, out, _ = coilbench("table")
    lines = [line for line in out.splitlines() if line.startswith("empty")]
    assert lines == ["empty  attack_ms: it ends after 0.05 s (take 0, take 1, take 2 and 2 more)"]


def test_reasons_that_differ_in_numbers_only_stand_there_once_and_many_are_counted(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    short(service, monkeypatch, {}, takes=9)
    plain = service.row
    words = iter(["0.1 s are too few", "0.2 s are too few", *"abcdefg"])
    monkeypatch.setattr(
        service, "row", lambda take, per: {**plain(take, per), "reasons": {"attack_ms": f"because {next(words)}"}}
    )
    _, out, _ = coilbench("table")
    lines = out.splitlines()
    assert [line for line in lines if "too few" in line] == [
        "empty  attack_ms: because 0.1 s are too few (take 0, take 1)"
    ]
    assert sum(line.startswith("empty") for line in lines) == 6
    assert "and 2 more reasons; -o NAME.csv saves all, in the column reasons" in lines


def test_the_part_of_a_vector_has_the_reason_of_the_whole_and_programs_get_reasons_too(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    short(service, monkeypatch, {"octave_db": "it is silent"})
    _, out, _ = coilbench("table", "--quantities", "octave_db")
    assert "empty  octave_db_63: it is silent (take 0)" in out
    _, out, _ = coilbench("table", "--json")
    assert json.loads(out)["reasons"] == {"octave_db": "it is silent"}


def test_millivolts_stand_in_the_table_where_there_are_some_with_their_own_plus_minus(
    coilbench: Callable[..., Said], service: ContractService, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.add(b"a", "a.wav", {}, "measured")
    monkeypatch.setitem(COLUMNS, "take", [*COLUMNS["take"], ("rms_mv", "mV"), ("rms_mv_expanded_uncertainty", "mV")])
    _, out, _ = coilbench("table")
    assert "mV" not in out
    plain = service.row
    volts = {"rms_mv": 161.26, "rms_mv_low": 160.0, "rms_mv_high": 162.0, "rms_mv_expanded_uncertainty": 4.44}
    monkeypatch.setattr(service, "row", lambda take, per: {**plain(take, per), **volts})
    _, out, _ = coilbench("table")
    assert "161 ± 4" in out
    assert "± in mV: expanded uncertainty (95 %), with the calibration's" in out
    _, out, _ = coilbench("table", "--quantities", "rms_mv")
    assert "161.26 ± 4.44" in out
    assert out.splitlines()[0].split() == ["take", "strums", "rms_mv", "checks"]


def test_help_lists_the_commands_that_there_are(coilbench: Callable[..., Said]) -> None:
    _, out, _ = coilbench("--help")
    assert "Measure recordings of electric-guitar strums" in out
    listed = [line.split()[0] for line in out.partition("Commands:")[2].splitlines() if line.strip()]
    there = {"send", "status", "table", "chain", "pickup", "session"}
    assert there | {"compare", "study", "group", "fit", "choose", "words"} <= set(listed)


def test_a_key_that_is_no_text_is_bad_usage(coilbench: Callable[..., Said]) -> None:
    status, out, err = coilbench("table", "--session", "\udcff")
    assert (status, out) == (2, "")
    assert "holds what is not Unicode text" in err


def test_output_that_is_full_is_said_in_one_line(service: ContractService) -> None:
    program = "from coilbench.command import main; main()"
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            [sys.executable, "-c", program, "--url", service.url, "table", "--format", "csv"],
            stdout=full,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(Path(coilbench_package.__file__).parents[1])},
            text=True,
            check=False,
        )
    assert ended.returncode == 1
    assert ended.stderr == "coilbench: the output: No space left on device\n"
