"""A hundred thousand takes in the database: what lists, filters, counts and a pickup's table cost there, against a
thousand takes, on SQLite and PostgreSQL; and by which plan the database answers.

The service's own routes are asked, inside this process: what is compared is the work of the database and the routes.
"""

import gc
import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import Engine, event, insert, text

from bench.figure import Figure
from bench.material import write_take
from bench.postgres import postgres
from coilbench_service.app import create_app
from coilbench_service.bench import Bench
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.configuration import Configuration
from coilbench_worker.measure.results import to_document
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.take import measure_take
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import files, jobs, measurements, takes

MANY, FEW = 100_000, 1_000
TAKES_OF_A_PICKUP = 25
TAKES_OF_A_SESSION = 50
WAITING_EACH = 1_000
"""One take in so many still waits."""
AT_ONCE = 2_000
KEPT_STRUMS = 2
"""Of the measured document, so that a hundred thousand of them fit on the disk; lists read none."""
ASKED = 15
"""Times each question is put; of a few takes as many are found as of many, so that pages have the same size."""
SLOWER_AIM = 2.0

QUESTIONS = {
    "first page": "/v1/takes?limit=100",
    "page in the middle": "/v1/takes?limit=100&cursor={middle}",
    "last page": "/v1/takes?limit=100&cursor={late}",
    "by pickup": "/v1/takes?pickup=pickup-00003",
    "by session": "/v1/takes?session=session-00007",
    "by state": "/v1/takes?state=waiting&limit=1",
    "by state and pickup": "/v1/takes?state=measured&pickup=pickup-00003",
    "by recording": "/v1/takes?sha256={sha256}",
    "since": "/v1/takes?since=2100-01-01",
    "one take": "/v1/takes/{middle}",
    "table of a pickup by strum": "/v1/table?per=strum&pickup=pickup-00003&quantities=rms_dbfs,crest_db",
    "table of a session by take": "/v1/table?per=take&session=session-00007&quantities=rms_dbfs",
    "page of recordings": "/",
}


@dataclass(frozen=True)
class Filled:
    """A service whose database holds so many takes, and what to ask it for."""

    client: FlaskClient
    engine: Engine
    values: dict[str, str]


def many(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of both databases; they are made in `folder`."""
    document = _document(folder, samples)
    figures = []
    with postgres(folder / "postgres") as server:
        for kind in ("SQLite", "PostgreSQL"):
            with ExitStack() as stack:
                few, filled = (
                    stack.enter_context(
                        _filled(
                            folder / f"{kind}-{number}",
                            server.database(f"takes_{number}") if kind == "PostgreSQL" else None,
                            document,
                            number,
                        )
                    )
                    for number in (FEW, MANY)
                )
                spent = {name: _median_ms((few, filled), address) for name, address in QUESTIONS.items()}
                plans = {name: _plan(filled, address) for name, address in QUESTIONS.items()}
            for name in QUESTIONS:
                of_few, of_many = spent[name]
                note = f"median of {ASKED}: {of_many:.1f} ms, of {FEW} takes {of_few:.1f} ms"
                ratio = of_many / of_few
                title = f"{kind}, {name}: {MANY} takes over {FEW}"
                figures.append(Figure("many", title, ratio, "x", SLOWER_AIM, f"{note}; {plans[name]}"))
    return figures


def fill(database: Database, document: dict[str, Any], number: int) -> dict[str, str]:
    """Enter so many takes with this measurement; ids and a hash to ask for."""
    ids: list[str] = []
    for start in range(0, number, AT_ONCE):
        entered = [_entered(place, document) for place in range(start, min(start + AT_ONCE, number))]
        ids += [rows[1]["id"] for rows in entered]
        with database.write() as connection:
            for place, table in enumerate((files, takes, jobs, measurements)):
                found = [one[place] for one in entered if one[place] is not None]
                connection.execute(insert(table), found)
    with database.write() as connection:
        connection.execute(text("ANALYZE"))
    return {"middle": ids[number // 2], "late": ids[-50], "sha256": f"{number // 3:064x}"}


@contextmanager
def _filled(data: Path, url: str | None, document: dict[str, Any], number: int) -> Iterator[Filled]:
    configuration = Configuration(data=data, listen="127.0.0.1:0", database_url=url)
    bench = Bench.of(configuration)
    try:
        bench.database.migrate()
        values = fill(bench.database, document, number)
        client = create_app(configuration, bench).test_client()
        yield Filled(client, bench.database.engine, values)
    finally:
        bench.close()


def _entered(place: int, document: dict[str, Any]) -> tuple[dict[str, Any] | None, ...]:
    """The rows of one take: its file, itself, its job, its measurement."""
    id, job_id, made, sha256 = new_id(), new_id(), now(), f"{place:064x}"
    pickup, session = f"pickup-{place // TAKES_OF_A_PICKUP:05d}", f"session-{place // TAKES_OF_A_SESSION:05d}"
    state = "measured" if place % WAITING_EACH else "waiting"
    settings = {"settings": {}, "settings_key": "k"}
    file = {"sha256": sha256, "bytes": 1, "blob": sha256, "created": made}
    take = {
        "id": id,
        "created": made,
        "updated": made,
        "state": state,
        "file_name": f"{place}.wav",
        "file_sha256": sha256,
        "about": {"pickup": pickup, "session": session, "input_gain_db": 10.0},
        "pickup": pickup,
        "session": session,
        "job_id": job_id,
        **settings,
    }
    job = {"id": job_id, "take_id": id, "state": state, "attempt": 1, "returned": 0, "created": made, **settings}
    measured = {"id": new_id(), "take_id": id, "settings_key": "k", "version": "1", "made": made, "document": document}
    return file, take, job, measured if state == "measured" else None


def _document(folder: Path, samples: FloatArray) -> dict[str, Any]:
    path = write_take(folder / "take.wav", samples)
    with open_recording(path) as recording:
        whole = dict(to_document(measure_take(recording, recording.facts, MeasureSettings())))
    return {**whole, "strums": whole["strums"][:KEPT_STRUMS]}


def _median_ms(places: Sequence[Filled], address: str) -> list[float]:
    """Of each place, ms; asked in turn, so that what else the machine does slows all alike."""
    spent: list[list[float]] = [[] for _ in places]
    for place in places:
        _ask(place, address)
    gc.collect()
    for _ in range(ASKED):
        for took, place in zip(spent, places, strict=True):
            begun = time.perf_counter()
            _ask(place, address)
            took.append(1000 * (time.perf_counter() - begun))
    return [statistics.median(took) for took in spent]


def _ask(filled: Filled, address: str) -> None:
    answer = filled.client.get(address.format(**filled.values))
    assert answer.status_code == 200, answer.text
    answer.get_data()


def _plan(filled: Filled, address: str) -> str:
    """How the database answers the costliest of the statements that the question asks, in its own words."""
    told: list[tuple[str, Any]] = []

    def note(_conn: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        told.append((statement, parameters))

    event.listen(filled.engine, "before_cursor_execute", note)
    try:
        _ask(filled, address)
    finally:
        event.remove(filled.engine, "before_cursor_execute", note)
    plans = [
        _explained(filled.engine, statement, parameters)
        for statement, parameters in told
        if statement.lstrip().upper().startswith("SELECT") and "takes" in statement
    ]
    return max(plans, key=len, default="no question about takes")


def _explained(engine: Engine, statement: str, parameters: Any) -> str:
    sqlite = engine.dialect.name == "sqlite"
    with engine.connect() as connection:
        rows = connection.exec_driver_sql(f"EXPLAIN {'QUERY PLAN ' if sqlite else ''}{statement}", parameters).all()
    steps = [str(row[3] if sqlite else row[0]).strip().split("  (cost")[0] for row in rows]
    kept = [step for step in steps if sqlite or "Scan" in step or "Sort" in step or "Aggregate" in step]
    return "; ".join(step.removeprefix("->  ") for step in kept)
