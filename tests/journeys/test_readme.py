"""The README's examples, run as they stand against a real service; only its address differs."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
PRINTED_ADDRESS = "http://127.0.0.1:8080"
WITHIN_S = 120.0


def block(language: str) -> str:
    """The README's one block of a language."""
    found: str
    (found,) = re.findall(rf"^```{language}\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    return found


@pytest.fixture
def folder(tmp_path: Path, recordings: Path) -> Path:
    """A folder in which the README's examples find what they name."""
    place = tmp_path / "workshop"
    (place / "recordings").mkdir(parents=True)
    (place / "recordings" / "takes.csv").write_text(block("csv"), encoding="utf-8")
    some = next(recordings.glob("*.wav"))
    for row in csv.DictReader(io.StringIO(block("csv"))):
        shutil.copy(some, place / "recordings" / row["file"])
    shutil.copy(some, place / "take.wav")
    return place


def run(folder: Path, *command: str, **variables: str) -> str:
    """What a command prints, in the folder and with the programs of this installation; it must succeed."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
    environment["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{environment['PATH']}"
    done = subprocess.run(
        command,
        cwd=folder,
        env=environment | variables,
        capture_output=True,
        encoding="utf-8",
        timeout=WITHIN_S,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_python_example_prints_a_line_for_each_take_and_saves_the_strums(folder: Path, service_url: str) -> None:
    assert PRINTED_ADDRESS in block("python")
    (folder / "example.py").write_text(block("python").replace(PRINTED_ADDRESS, service_url), encoding="utf-8")
    printed = run(folder, sys.executable, "example.py").splitlines()
    assert [line.startswith(("ferry-neck, open E -", "mill-bridge, open E -")) for line in printed] == [True, True]
    sheet = openpyxl.load_workbook(folder / "strums.xlsx", read_only=True)
    rows = list(sheet.worksheets[0].iter_rows(values_only=True))
    sheet.close()
    assert len(rows) == 1 + 8
    assert (folder / "take.png").read_bytes().startswith(b"\x89PNG")
    assert (folder / "third.wav").read_bytes().startswith(b"RIFF")


def test_the_curl_examples_answer(folder: Path, service_url: str) -> None:
    lines = block("sh").replace("\\\n", " ").replace(PRINTED_ADDRESS, service_url).splitlines()
    assert len(lines) == 7
    sent, listed, table, coil, quantities, *_ = (
        run(folder, "sh", "-c", f"{line} --fail-with-body -sS") for line in lines
    )
    assert json.loads(sent)["state"] == "measured"
    assert json.loads(sent)["id"] in {take["id"] for take in json.loads(listed)["items"]}
    assert "rms_dbfs" in next(csv.reader(io.StringIO(table)))
    assert json.loads(coil)["wire"]["resistance_ohm"] == pytest.approx(6128.2, abs=0.1)
    assert "crest_db" in {entry["key"] for entry in json.loads(quantities)["items"]}
    assert (folder / "bands.svg").read_text(encoding="utf-8").startswith("<svg")
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF")


def test_the_one_line_of_the_usual_job_saves_the_table(folder: Path, service_url: str) -> None:
    line = re.search(r"^    (coilbench send FOLDER .+)$", README, flags=re.MULTILINE)
    assert line
    run(folder, "sh", "-c", line[1].replace("FOLDER", "recordings"), COILBENCH_URL=service_url)
    sheet = openpyxl.load_workbook(folder / "table.xlsx", read_only=True)
    rows = list(sheet.worksheets[0].iter_rows(values_only=True))
    sheet.close()
    assert len(rows) == 1 + 2
