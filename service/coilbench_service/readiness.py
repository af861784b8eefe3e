"""Whether the parts that the service needs are there, each in plain words; read by /readyz and by doctor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from coilbench_service.bench import Bench
from coilbench_worker.jobs.broker import ANSWER_TIMEOUT_S, celery_app
from coilbench_worker.store import migration, nodes

NODE_SILENT_S = 15.0


class PartMissing(Exception):
    """A part is not there; the message says what and what to do."""


@dataclass(frozen=True)
class PartState:
    """One part: `fault` is None when it is there."""

    name: str
    finding: str
    fault: str | None


def parts(bench: Bench) -> list[PartState]:
    """Every part, looked at now."""
    looks = {"database": _database, "broker": _broker, "storage": _storage, "worker": _worker}
    return [_look(name, look, bench) for name, look in looks.items()]


def _look(name: str, look: Callable[[Bench], str], bench: Bench) -> PartState:
    try:
        return PartState(name, look(bench), None)
    except Exception as error:  # whatever it is, the part is not there
        return PartState(name, "not there", str(error).strip() or type(error).__name__)


def _database(bench: Bench) -> str:
    bench.database.ping()
    here, wanted = bench.database.revision(), migration.head()
    if here != wanted:
        raise PartMissing(
            f"the tables are at revision {here or 'none'}, this version needs {wanted}; run coilbench-server migrate"
        )
    return f"answers, tables at revision {here}"


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
            f"the broker does not answer ({error}); takes are kept and wait. See that Redis runs and that "
            "COILBENCH_BROKER_URL names it"
        ) from error
    finally:
        app.close()
    return "answers"


def _storage(bench: Bench) -> str:
    bench.blobs.ping()
    return "can be written"


def _worker(bench: Bench) -> str:
    with bench.database.read() as connection:
        present = nodes.present(connection, NODE_SILENT_S)
    if not present:
        raise PartMissing(
            f"no worker has reported for {NODE_SILENT_S:g} s; takes are kept and wait. Start coilbench-server up, or "
            "coilbench-server worker beside an api"
        )
    processes = sum(node.processes for node in present)
    return f"{len(present)} present, {processes} measuring processes"
