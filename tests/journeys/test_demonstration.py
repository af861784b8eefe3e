"""The demonstration, run as a user runs it, twice."""

import json
import re
import subprocess
from pathlib import Path

import openpyxl
import pytest

from coilbench_service.demo.programs import program, surroundings

VERBS = ("chain", "chain", "pickup", "session", "send", "compare", "group", "choose", "report")
"""The user's commands that the demonstration runs, in this order."""


def demonstrate(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [program("coilbench-server"), "demo", "--folder", str(folder)],
        env=surroundings({}),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=600,
        check=False,
    )


@pytest.mark.xdist_group("demonstration")
def test_demonstration_keeps_its_promises_and_sends_nothing_twice(tmp_path: Path) -> None:
    first = demonstrate(tmp_path)
    assert first.returncode == 0, first.stdout + first.stderr
    assert "37 sent" in first.stderr
    assert "Not right" not in first.stdout
    assert "00-mill-bridge-first-try.flac, was measured and called unusable" in first.stdout
    commands = re.findall(
        rf"^    (?:COILBENCH_DATA=(\S+) )?(\S*coilbench\S*) (up|table|{'|'.join(sorted(set(VERBS)))})\b",
        first.stdout,
        re.M,
    )
    assert [(data, verb) for data, _, verb in commands] == [("", verb) for verb in VERBS] + [
        (str(tmp_path / "data"), "up"),
        ("", "table"),
    ]
    for _, command, _ in commands:  # works as it stands where it was printed
        subprocess.run([command, "--version"], check=True, capture_output=True)

    assert re.search(r"mill-bridge +\+\d.* hotter", first.stdout)
    assert re.search(r"mill-bridge +-\d.* darker", first.stdout)
    assert re.search(r"Attack over body\n +active minus passive .* punchier", first.stdout)
    assert re.search(r"active minus passive .* more even", first.stdout)
    held = re.search(r"interval of (\d+) of 66 pairs", first.stdout)
    assert held
    assert int(held[1]) >= 0.8 * 66

    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    sheet = openpyxl.load_workbook(tmp_path / "table.xlsx", read_only=True)
    rows = list(sheet.worksheets[0].iter_rows(values_only=True))
    sheet.close()
    assert len(rows) == 1 + len(truth["takes"])
    at = rows[0].index("rms_mv")
    for row, true in zip(rows[2:], truth["takes"][1:], strict=True):  # the first take is spoiled
        known = [strum["rms_mv"] for strum in true["strums"]]
        assert row[at] == pytest.approx(sum(known) / len(known), rel=0.02)

    report = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "what does that cost in top?" in report
    assert re.search(r"hotter: [\w-]+ by \d", report)

    again = demonstrate(tmp_path)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "0 made, 0 changed, 12 unchanged" in again.stdout + again.stderr
    assert "37 same bytes, skipped" in again.stderr
