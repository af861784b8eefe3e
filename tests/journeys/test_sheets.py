"""Data sheets and a session as a user keeps them: tables and commands against the real service."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from journeys.conftest import Run

PICKUPS = """key;construction;active;magnet;dcr_ohm;rated_output_mv;position;wound by
harbour-neck;single coil;no;alnico 5;6100,5;;neck;Ines
mill-bridge;humbucker;no;ceramic;13900;430;bridge;
"""


def test_sheets_come_from_a_table_and_takes_inherit_from_them(run: Run, recordings: Path, tmp_path: Path) -> None:
    (tmp_path / "pickups.csv").write_text(PICKUPS, encoding="utf-8")
    (recordings / "takes.csv").write_text("file,pickup\nHäfen neck.wav,harbour-neck\nmill.flac,mill-bridge\n", "utf-8")
    done = run("pickup", "import", tmp_path / "pickups.csv")
    assert (done.returncode, done.stdout) == (0, "2 made, 0 changed, 0 unchanged.\n"), done.stderr
    assert run("session", "add", "shed, May", "--set", "pick=1.0 mm").returncode == 0
    sent = run("send", recordings, "--set", "session=shed, May", "--wait", "--json")
    assert sent.returncode == 0, sent.stderr
    rows = [json.loads(line)["rows"][0] for line in sent.stdout.splitlines()]
    assert [row["position"] for row in rows] == ["neck", "bridge"]  # said by the sheets alone
    assert run("session", "set", "shed, May", "expected_strums=5").returncode == 0  # there are four
    again = run("send", recordings, "--set", "session=shed, May", "--wait", "--json")
    for line in again.stdout.splitlines():
        document = json.loads(line)
        assert (document["outcome"], document["take"]["about"].get("expected_strums")) == ("already-there", None)
        assert "strum-count" in document["rows"][0]["checks"]

    shown = run("pickup", "list").stdout
    assert [line.split()[0] for line in shown.splitlines()[-2:]] == ["harbour-neck", "mill-bridge"]
    assert run("pickup", "set", "mill-bridge", "magnet=alnico 8", "potted=yes").returncode == 0
    assert run("pickup", "export", "-o", "out.csv").returncode == 0
    table = (tmp_path / "here" / "out.csv").read_bytes().decode()
    mill = next(row for row in csv.DictReader(io.StringIO(table, newline="")) if row["key"] == "mill-bridge")
    assert (mill["magnet"], mill["potted"], mill["dcr_ohm"]) == ("alnico 8", "true", "13900")
    assert run("pickup", "import", "out.csv").stdout == "0 made, 0 changed, 2 unchanged.\n"
    (tmp_path / "here" / "out.csv").write_text("key,turns\nmill-bridge,many\n", encoding="utf-8")
    faulty = run("pickup", "import", "out.csv")
    assert faulty.returncode == 1
    assert "line 2, column `turns`: 'many' is not a number" in faulty.stderr
    for key in ("harbour-neck", "mill-bridge"):
        assert run("pickup", "remove", key).returncode == 0
    assert run("session", "remove", "shed, May").returncode == 0
