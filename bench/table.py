"""Tables of a hundred thousand strums: how memory of server and client grows against a small table, and how long each
format takes. The takes are one measured take entered many times, in a database as the service keeps it.
"""

import time
from pathlib import Path
from typing import Any

from sqlalchemy import insert

from bench.figure import Figure
from bench.material import STRUMS, write_take
from bench.processes import BenchError, number_from
from bench.service import embedded
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.results import to_document
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.take import measure_take
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import files, measurements, takes

MANY_STRUMS = 100_000
PICKUPS = 40
AT_ONCE = 500
GROWTH_AIM_MIB = 60.0  # own reading of "without the whole table in memory": as JSON lines it has some 200 MB
ASKED = (("strum", "csv"), ("strum", "jsonl"), ("strum", "xlsx"), ("strum", "parquet"), ("pickup", "csv"))
QUANTITIES = "rms_dbfs,crest_db,attack_ms,decay_db_per_s,bass_db,treble_db,octave_db,third_octave_db"

CLIENT = """
import sys
from pathlib import Path
import coilbench
url, name, per, quantities, pickup = sys.argv[1:]
table = coilbench.Client(url).table(per, quantities.split(","), pickup=pickup or None)
table.save(name)
status = Path("/proc/self/status").read_text()
print(int(status.split("VmHWM:")[1].split()[0]) / 1024)
"""


def table(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of tables; the database and the files are made in `folder`."""
    takes_made = -(-MANY_STRUMS // STRUMS)
    fill(folder / "data", _document(folder, samples), takes_made)
    figures = []
    with embedded(folder) as service:
        (pid,) = service.pids
        for per, form in ASKED:
            few = _saved(service.url, pid, folder / f"few.{form}", per, "pickup-00")
            begun = time.monotonic()
            many = _saved(service.url, pid, folder / f"many.{form}", per, "")
            took_s = time.monotonic() - begun
            size_mb = (folder / f"many.{form}").stat().st_size / 1e6
            strums = takes_made * STRUMS
            note = f"{strums} strums against {strums // PICKUPS}; the file has {size_mb:.0f} MB"
            for whose, place in (("service", 0), ("client", 1)):
                name = f"{form} by {per}: growth of the {whose}"
                figures.append(Figure("table", name, many[place] - few[place], "MiB", GROWTH_AIM_MIB, note))
            figures.append(Figure("table", f"{form} by {per}: {strums} strums saved", took_s, "s"))
    return figures


def fill(data: Path, document: dict[str, Any], number: int) -> None:
    """Make a data folder whose database holds that many takes of this measurement, on `PICKUPS` pickups."""
    data.mkdir(parents=True, exist_ok=True)
    database = Database(f"sqlite:///{data / 'coilbench.sqlite'}")
    database.migrate()
    try:
        for start in range(0, number, AT_ONCE):
            entered = [_entered(place, document) for place in range(start, min(start + AT_ONCE, number))]
            with database.write() as connection:
                for place, rows in enumerate((files, takes, measurements)):
                    connection.execute(insert(rows), [one[place] for one in entered])
    finally:
        database.close()


def _entered(place: int, document: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """The rows of one take: its file, itself, its measurement."""
    id, made, sha256 = new_id(), now(), f"{place:064x}"
    pickup = f"pickup-{place % PICKUPS:02d}"
    file = {"sha256": sha256, "bytes": 1, "blob": sha256, "created": made}
    take = {
        "id": id,
        "created": made,
        "updated": made,
        "state": "measured",
        "file_name": f"{place}.wav",
        "file_sha256": sha256,
        "about": {"pickup": pickup, "input_gain_db": 10.0},
        "pickup": pickup,
        "settings": {},
        "settings_key": "k",
    }
    measured = {"id": new_id(), "take_id": id, "settings_key": "k", "version": "1", "made": made, "document": document}
    return file, take, measured


def _document(folder: Path, samples: FloatArray) -> dict[str, Any]:
    path = write_take(folder / "take.wav", samples)
    with open_recording(path) as recording:
        return dict(to_document(measure_take(recording, recording.facts, MeasureSettings())))


def _saved(url: str, pid: int, file: Path, per: str, pickup: str) -> tuple[float, float]:
    """Peak memory of the service while a client saves a table, and of that client, MiB."""
    try:
        Path(f"/proc/{pid}/clear_refs").write_text("5")  # forgets the peak so far, proc(5)
        client = number_from(CLIENT, url, file, per, QUANTITIES, pickup)
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError as error:
        raise BenchError(f"Peak memory is read from /proc of Linux, which is not there: {error}") from error
    return int(status.split("VmHWM:")[1].split()[0]) / 1024, client
