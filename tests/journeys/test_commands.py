"""The job as a user does it: commands against the real service."""

from __future__ import annotations

import csv
import io
import json
import re
import signal
import socket
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
import soundfile

from journeys.conftest import HOT, ONSETS_S, RATE_HZ, SOFT, Run, program
from unit.client.contract_service import contract_service

LEVEL_TOLERANCE_DB = 0.3
"""An onset found 5 ms late (the bound of the definitions for clean strums) moves the half-second level by less."""


def rows_of(path: Path) -> list[dict[str, Any]]:
    """The rows of a saved spreadsheet's first sheet."""
    sheet = openpyxl.load_workbook(path).worksheets[0]
    head, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(map(str, head), row, strict=True)) for row in rows]


def mean(levels: tuple[float, ...]) -> float:
    return sum(levels) / len(levels)


def test_one_line_sends_a_folder_and_saves_a_spreadsheet(run: Run, recordings: Path) -> None:
    done = run("send", recordings, "--wait", "-o", "table.xlsx")
    assert done.returncode == 0, done.stderr
    assert "Descriptions come from" in done.stderr
    assert "Passed over, no sound files: notes.txt" in done.stderr
    assert "table.xlsx: 2 rows" in done.stderr
    soft, hot = rows_of(recordings.parent / "here" / "table.xlsx")
    assert [soft["file"], hot["file"]] == ["Häfen neck.wav", "mill.flac"]
    assert soft["label"] == "=soft"
    assert [soft["strums"], hot["strums"]] == [4, 4]
    assert soft["rms_dbfs"] == pytest.approx(mean(SOFT.levels_dbfs), abs=LEVEL_TOLERANCE_DB)
    assert hot["rms_dbfs"] == pytest.approx(mean(HOT.levels_dbfs), abs=LEVEL_TOLERANCE_DB)
    assert hot["treble_db"] > soft["treble_db"]
    for row in (soft, hot):
        assert row["rms_dbfs_low"] < row["rms_dbfs"] < row["rms_dbfs_high"]
        for key in ("peak_dbfs", "crest_db", "attack_ms", "decay_db_per_s", "bass_db", "noise_dbfs"):
            assert isinstance(row[key], int | float), key


def test_the_screen_shows_the_figures_and_fits(run: Run, recordings: Path) -> None:
    done = run("send", recordings, "--wait")
    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()) <= 120
    line = next(line for line in done.stdout.splitlines() if line.startswith("hot"))
    level = re.search(r"(-[0-9.]+) ± [0-9.]+", line)
    assert level is not None
    assert float(level[1]) == pytest.approx(mean(HOT.levels_dbfs), abs=LEVEL_TOLERANCE_DB)
    assert "mill-bridge" in line


def test_a_second_send_skips_and_a_dry_run_sends_nothing(run: Run, recordings: Path) -> None:
    one = recordings / "mill.flac"
    setting = ("--set", f"notes={recordings}")
    first = run("send", one, *setting, "--dry-run")
    assert (first.returncode, first.stderr) == (0, "1 would be sent\n")
    assert run("send", one, *setting).stderr.startswith("1 sent")
    again = run("send", one, *setting)
    assert again.returncode == 0
    assert "same bytes, skipped" in again.stdout
    other = run("send", one, "--set", "notes=otherwise", "--dry-run")
    assert "would be sent" in other.stdout


def test_a_run_goes_on_where_another_stopped(run: Run, recordings: Path) -> None:
    (recordings / "takes.csv").unlink()
    setting = ("--set", f"session={recordings}")
    run("send", recordings / "mill.flac", *setting)
    done = run("send", recordings, *setting, "--wait")
    assert "1 sent, 1 same bytes, skipped" in done.stderr


def test_json_lines_hold_takes_and_rows_by_strum(run: Run, recordings: Path) -> None:
    done = run("send", recordings, "--wait", "--json", "--per", "strum")
    assert done.returncode == 0, done.stderr
    soft, hot = (json.loads(line) for line in done.stdout.splitlines())
    assert soft["take"]["state"] == "measured"
    assert soft["take"]["about"]["input_gain_db"] == 0.5
    assert soft["take"]["about"]["extra"] == {"weather": "warm"}
    for document, truth in ((soft, SOFT), (hot, HOT)):
        assert [row["onset_s"] for row in document["rows"]] == pytest.approx(list(ONSETS_S), abs=0.015)
        assert [row["rms_dbfs"] for row in document["rows"]] == pytest.approx(
            list(truth.levels_dbfs), abs=LEVEL_TOLERANCE_DB
        )


def test_tables_come_as_csv_and_json_too(run: Run, recordings: Path) -> None:
    session = str(recordings)
    (recordings / "takes.csv").unlink()
    assert run("send", recordings, "--set", f"session={session}", "--wait", "-o", "t.json").returncode == 0
    assert run("table", "--session", session, "--per", "strum", "-o", "t.csv").returncode == 0
    here = recordings.parent / "here"
    document = json.loads((here / "t.json").read_text(encoding="utf-8"))
    assert {column["key"]: column["unit"] for column in document["columns"]}["rms_dbfs"] == "dBFS"
    assert len(document["items"]) == 2
    rows = list(csv.DictReader(io.StringIO((here / "t.csv").read_text(encoding="utf-8"))))
    assert len(rows) == 8
    assert all(float(row["rms_dbfs"]) < 0 for row in rows)
    listed = run("table", "--session", session, "--json", "--quantities", "crest_db")
    assert [
        sorted(key for key in json.loads(line) if key.startswith("crest")) for line in listed.stdout.splitlines()
    ] == [["crest_db", "crest_db_high", "crest_db_low", "crest_db_sd"]] * 2


def test_what_can_not_be_measured_gives_1_with_reason_and_advice(run: Run, recordings: Path) -> None:
    (recordings / "takes.csv").unlink()
    soundfile.write(recordings / "silent.wav", np.zeros(3 * RATE_HZ), RATE_HZ, subtype="PCM_16")
    (recordings / "text.wav").write_text("this is no sound " * 50)
    session = str(recordings)
    done = run("send", recordings, "--set", f"session={session}", "--wait")
    assert done.returncode == 1
    assert "rejected  silent.wav" in done.stdout
    assert "not sent  text.wav" in done.stdout
    assert "WAV" in done.stdout.partition("not sent  text.wav")[2]
    assert "mill.flac" in done.stdout
    assert "3 sent, 1 not sent" in done.stderr
    status = run("status", "--session", session)
    assert status.returncode == 1
    assert status.stdout.startswith("2 measured, 1 rejected\nrejected  silent.wav")
    assert run("table", "--session", session).returncode == 1


def test_no_service_gives_one_clear_sentence(run: Run, recordings: Path) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{unused.getsockname()[1]}"
        for arguments in (("send", recordings), ("status",), ("table",)):
            done = run(*arguments, url=url)
            assert done.returncode == 1
            assert done.stdout == ""
            last = done.stderr.splitlines()[-1]
            assert last.startswith(f"coilbench: No answer from {url} (connection refused). Is the service running?")
            assert "Traceback" not in done.stderr


def test_bad_usage_gives_2(run: Run, recordings: Path) -> None:
    (recordings / "takes.csv").write_text("file,battery_v\nmill.flac,nine\n")
    done = run("send", recordings)
    assert done.returncode == 2
    assert "takes.csv: line 2, column `battery_v`" in done.stderr
    assert run("send", "nowhere").returncode == 2
    assert run("send", recordings, "-o", "t.doc").returncode == 2


def test_ctrl_c_gives_130_and_says_how_to_go_on(recordings: Path) -> None:
    with contract_service() as service:
        service.looks_until_measured = 10**9
        before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore it
        client = subprocess.Popen(
            [program("coilbench"), "--url", service.url, "send", str(recordings), "--wait"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        signal.signal(signal.SIGINT, before)
        try:
            until = time.monotonic() + 60
            while not any("Prefer" in seen.headers for seen in list(service.seen)):
                assert time.monotonic() < until, "the client never waited"
                assert client.poll() is None
                time.sleep(0.02)
            client.send_signal(signal.SIGINT)
            out, err = client.communicate(timeout=30)
        finally:
            client.kill()
            client.wait()
    assert client.returncode == 130
    assert out == ""
    assert "2 of 2 files are with the service" in err
    assert "Traceback" not in err


def test_a_reader_that_stops_reading_is_no_fault(run: Run, recordings: Path, service_url: str) -> None:
    run("send", recordings, "--wait")
    table = subprocess.Popen(
        [program("coilbench"), "--url", service_url, "table", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert table.stdout is not None
    assert table.stderr is not None
    table.stdout.close()
    err = table.stderr.read().decode()
    table.wait(timeout=60)
    table.stderr.close()
    assert "Traceback" not in err


def test_a_chain_is_calibrated_with_a_tone_and_the_table_is_in_millivolts(
    run: Run, recordings: Path, tmp_path: Path
) -> None:
    peak, volts = 0.3, 0.5
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    soundfile.write(tmp_path / "tone.wav", peak * np.sin(2 * np.pi * 997 * time_s), RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "square.wav", 0.5 * np.sign(np.sin(2 * np.pi * 997 * time_s)), RATE_HZ)
    assert run("chain", "add", "shed desk", "--name", "Desk in the shed").returncode == 0
    said = ("--gain", 0.5, "--volts", volts, "--uncertainty-percent", 1)
    unfit = run("chain", "calibrate", "shed desk", tmp_path / "square.wav", *said)
    assert unfit.returncode == 1
    assert "no single sine" in unfit.stderr
    fit = run("chain", "calibrate", "shed desk", tmp_path / "tone.wav", *said)
    assert fit.returncode == 0, fit.stderr
    assert "997.0 Hz" in fit.stdout
    assert "Desk in the shed" in run("chain", "list").stdout

    done = run("send", recordings, "--set", "chain=shed desk", "--wait", "-o", "mv.xlsx")
    assert done.returncode == 0, done.stderr
    assert "mV" in done.stdout
    for row, recording in zip(rows_of(tmp_path / "here" / "mv.xlsx"), (SOFT, HOT), strict=True):
        # a full-scale sample stands for so many volts as the tone's peak over its peak sample
        by_hand = [1000 * volts * 2**0.5 / peak * 10 ** (level / 20) for level in recording.levels_dbfs]
        assert row["rms_mv"] == pytest.approx(sum(by_hand) / len(by_hand), rel=0.04)  # LEVEL_TOLERANCE_DB
        assert row["rms_mv_expanded_uncertainty"] > 0.01 * row["rms_mv"]
        assert (row["chain"], row["calibration"]) == ("shed desk", "tone")

    strums = run("table", "--per", "strum", "--quantities", "rms_mv,sustain_20_s", "--json")
    rows = [json.loads(line) for line in strums.stdout.splitlines()]
    own = [row for row in rows if row["chain"] == "shed desk"]
    assert len(own) == 8
    for row in own:
        assert row["rms_mv"] > 0
        assert ("sustain_20_s" in (row["reasons"] or {})) == (row["sustain_20_s"] is None)
    assert run("chain", "remove", "shed desk").returncode == 0
    assert "gain-uncalibrated" in run("table").stdout
