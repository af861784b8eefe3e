"""Whether the parts that the service needs are there, each in plain words; read by /readyz and by doctor."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.exc import SQLAlchemyError

from coilbench_service.bench import Bench
from coilbench_service.lookout import Lookout
from coilbench_worker import jobs
from coilbench_worker.jobs.broker import ANSWER_TIMEOUT_S, celery_app
from coilbench_worker.passwords import masked
from coilbench_worker.store import clock, migration, nodes
from coilbench_worker.store.standing import TablesBeyond, TablesUnfit

NODE_SILENT_S = 15.0
UNCLAIMED_S = 30.0
LOOK_WITHIN_S = 3.0
AGREES_FOR_S = 1.0
"""Who asks more often hears again what was seen before, so that asking can't be used to wear out the stores."""


class PartMissing(Exception):
    """A part is not there; the message says what and what to do."""


class NotMadeYet(PartMissing):
    """A part is not there, and the first start makes it."""


class NotMigrated(NotMadeYet):
    """The tables are not fit for this version; the message says what to do."""


@dataclass(frozen=True)
class PartState:
    """One part: `fault` is None when it is there; `to_come` when the first start makes it."""

    name: str
    finding: str
    fault: str | None
    to_come: bool = False


class Readiness:
    """The parts of one service, for many to ask about at once; what is told was seen `AGREES_FOR_S` ago at most."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._lookout: Lookout[PartState] = Lookout(LOOK_WITHIN_S)
        self._lock = threading.Lock()
        self._seen: list[PartState] = []
        self._seen_at = -AGREES_FOR_S

    def parts(self) -> list[PartState]:
        """Every part; a part that hangs is not there, and does not hold up the answer beyond `LOOK_WITHIN_S`."""
        with self._lock:
            if time.monotonic() - self._seen_at >= AGREES_FOR_S:
                self._seen = _parts(self._bench, _storage, self._lookout)
                self._seen_at = time.monotonic()
            return self._seen


def parts(bench: Bench) -> list[PartState]:
    """Every part, looked at now."""
    return _parts(bench, _storage, Lookout(LOOK_WITHIN_S))


def parts_untouched(bench: Bench) -> list[PartState]:
    """The same by looking alone: no folder and no database is made."""
    return _parts(bench, _storage_untouched, Lookout(LOOK_WITHIN_S))


def require_tables(bench: Bench) -> None:
    """See that this version works with the tables that are there.

    Raises
    ------
    NotMigrated : it does not yet; the steps are to come
    TablesBeyond : it can't any more; a newer version does
    DatabaseUnreachable, SQLAlchemyError : they can't be seen
    """
    if not bench.database.made:
        raise NotMigrated(
            f"there is no database at {bench.database.url.database} yet; `coilbench-server migrate` makes its tables, "
            "and so does `coilbench-server up`"
        )
    bench.database.ping()
    try:
        migration.require_fit(bench.database.revision())
    except TablesBeyond:
        raise
    except TablesUnfit as error:
        raise NotMigrated(str(error)) from error


def _parts(bench: Bench, storage: Callable[[Bench], str], lookout: Lookout[PartState]) -> list[PartState]:
    looks = {"database": _database, "broker": _broker, "storage": storage, "worker": _worker}
    seen = lookout.see({name: partial(_look, name, look, bench) for name, look in looks.items()})
    found = {name: state or _hangs(name, lookout.within_s) for name, state in seen.items()}
    database = found["database"]
    if database.fault is not None:
        unseen = "can't be seen while the database is not ready"
        found["worker"] = PartState("worker", "not known", unseen, database.to_come)
    return list(found.values())


def _hangs(name: str, within_s: float) -> PartState:
    fault = (
        f"gave no answer within {within_s:g} s; see that it runs, is not overloaded, and that the network reaches it"
    )
    return PartState(name, "gives no answer", fault)


def _look(name: str, look: Callable[[Bench], str], bench: Bench) -> PartState:
    try:
        return PartState(name, look(bench), None)
    except NotMadeYet as error:
        return PartState(name, "not there yet", str(error), to_come=True)
    except SQLAlchemyError as error:
        cause = str(getattr(error, "orig", None) or type(error).__name__)
        return PartState(name, "not there", masked(f"the database refuses to answer ({_first_line(cause)})"))
    except Exception as error:  # whatever it is, the part is not there
        return PartState(name, "not there", masked(_first_line(str(error)) or type(error).__name__))


def _first_line(text: str) -> str:
    return next((line.strip() for line in text.splitlines() if line.strip()), "")


def _database(bench: Bench) -> str:
    require_tables(bench)
    here, head = bench.database.revision(), migration.head()
    newer = "" if here == head else f", newer than {head} of this version, which works with them; upgrade it here too"
    return f"answers, tables at revision {here}{newer}"


def _broker(bench: Bench) -> str:
    configuration = bench.configuration
    if configuration.embedded:
        return "inside the process"
    app = celery_app(configuration)
    try:
        with app.connection_for_write() as connection:
            connection.ensure_connection(
                max_retries=1, interval_start=0, timeout=ANSWER_TIMEOUT_S, reraise_as_library_errors=True
            )
            connection.default_channel.client.ping()
    except Exception as error:
        raise PartMissing(
            f"the broker does not answer ({_first_line(str(error))}); takes are kept and wait. See that Redis runs and "
            "that COILBENCH_BROKER_URL and COILBENCH_BROKER_PASSWORD are right"
        ) from error
    finally:
        app.close()
    return "answers"


def _storage(bench: Bench) -> str:
    bench.blobs.ping()
    return "can be written"


def _storage_untouched(bench: Bench) -> str:
    if bench.blobs.made:
        return _storage(bench)
    if bench.blobs.could_be_made():
        raise NotMadeYet(f"the folder {masked(bench.blobs.url)} is not there yet; the first recording makes it")
    raise PartMissing(
        f"the folder {masked(bench.blobs.url)} is not there and can't be made; see that COILBENCH_BLOB_URL (or "
        "COILBENCH_DATA) names the right place, and that this account may write there"
    )


def _worker(bench: Bench) -> str:
    with bench.database.read() as connection:
        present = nodes.present(connection, NODE_SILENT_S)
    if not present:
        raise PartMissing(
            f"no worker has reported for {NODE_SILENT_S:g} s; takes are kept and wait. Start coilbench-server up, or "
            "coilbench-server worker beside an api"
        )
    _require_progress(bench, min(node.started for node in present))
    processes = sum(node.processes for node in present)
    return f"{len(present)} present, {processes} measuring processes"


def _require_progress(bench: Bench, present_since: datetime) -> None:
    """See that a worker that reports also measures what waits."""
    # A take handed back after a fault rests for `republish_after_s`, and that is no stall.
    patience_s = max(UNCLAIMED_S, 2 * bench.configuration.republish_after_s)
    with bench.database.read() as connection:
        before = clock.now(connection) - timedelta(seconds=patience_s)
        waiting_since = None if present_since >= before else jobs.stalled_since(connection, before)
    if waiting_since is not None:
        raise PartMissing(
            f"a worker reports, but takes wait (the oldest since {waiting_since:%Y-%m-%d %H:%M:%S} UTC) and none was "
            f"begun or ended for {patience_s:g} s; they are kept. Look at the worker's log, and start the worker again"
        )
