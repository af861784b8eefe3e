"""What `up` and `api` do: bring the tables up, start the worker where it belongs inside, serve, end cleanly."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import click

from coilbench_service import hosts, readiness
from coilbench_service.admission import keys_needed, say_when_nobody_can_ask
from coilbench_service.bench import Bench
from coilbench_service.serving import Server, ending_on_signals, when_it_answers
from coilbench_worker import logs
from coilbench_worker.configuration import Configuration
from coilbench_worker.embedded import EmbeddedWorker
from coilbench_worker.store.database import Database
from coilbench_worker.worker import run_worker


class WrongBroker(Exception):
    """The broker that is configured does not go with this command; the message says which does."""


def up(configuration: Configuration) -> None:
    """Everything in one process: tables, worker, HTTP.

    Raises
    ------
    NoAddress, PortTaken, WrongBroker, WorkerNotStarted : see there
    """
    hosts.require_address(configuration.listen)
    if not configuration.embedded:
        raise WrongBroker(
            "COILBENCH_BROKER_URL names a broker outside this process; start `coilbench-server api` and "
            "`coilbench-server worker`, or unset it for the embedded default"
        )
    logs.set_up(configuration.log_level)
    migrate(configuration)
    with ExitStack() as stack:
        server, bench = _prepare(configuration, stack)
        stack.enter_context(ending_on_signals(server.stop_listening, bench.waiters.close))
        stack.enter_context(_working(configuration))
        _serve(server)


def api(configuration: Configuration) -> None:
    """Only HTTP; workers run elsewhere.

    Raises
    ------
    NoAddress, PortTaken, WrongBroker, NotMigrated : see there
    """
    hosts.require_address(configuration.listen)
    require_others(configuration)
    logs.set_up(configuration.log_level)
    with ExitStack() as stack:
        server, bench = _prepare(configuration, stack)
        stack.enter_context(ending_on_signals(server.stop_listening, bench.waiters.close))
        _serve(server)


def require_others(configuration: Configuration) -> None:
    """See that what the HTTP service alone leaves to others is there: a broker outside, and the tables.

    Raises
    ------
    WrongBroker, NotMigrated, TablesUnfit : it is not; the message says what to do
    """
    if configuration.embedded:
        raise WrongBroker(
            "Without a broker the takes would wait for nobody: set COILBENCH_BROKER_URL, for example to "
            "redis://127.0.0.1:6379/0, and start `coilbench-server worker` beside this; or use `coilbench-server up`, "
            "which measures by itself"
        )
    bench = Bench.of(configuration)
    try:
        readiness.require_tables(bench)
        bench.database.require_fit()
    finally:
        bench.close()


def worker(configuration: Configuration) -> int:
    """Only a worker; returns the exit status.

    Raises
    ------
    WrongBroker, WorkerNotStarted : see there
    """
    if configuration.embedded:
        raise WrongBroker(
            "The broker is inside the service's process, which measures by itself (coilbench-server up). For workers "
            "of their own set COILBENCH_BROKER_URL, for example to redis://127.0.0.1:6379/0"
        )
    return run_worker(configuration)


def migrate(configuration: Configuration) -> str | None:
    """Bring the tables to the newest revision, and say which that is."""
    database = Database(configuration.database)
    try:
        database.migrate()
        return database.revision()
    finally:
        database.close()


def _prepare(configuration: Configuration, stack: ExitStack) -> tuple[Server, Bench]:
    from coilbench_service.app import create_app  # here: commands that serve nothing start a second sooner

    _spool_beside_the_data(configuration)
    bench = Bench.of(configuration)
    stack.callback(bench.close)
    say_when_nobody_can_ask(bench)
    app = create_app(configuration, bench)
    server = Server(
        app,
        configuration.host,
        configuration.port,
        configuration.max_upload_bytes,
        keys_needed=keys_needed(configuration),
    )
    stack.callback(server.close)
    return server, bench


def _spool_beside_the_data(configuration: Configuration) -> None:
    """Bodies pass through temporary files of the server; the system's folder for those may be memory, and small."""
    folder = configuration.data / "passing"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return  # with stores elsewhere the data folder may not be writable, and the system's folder has to do
    tempfile.tempdir = str(folder)


@contextmanager
def _working(configuration: Configuration) -> Iterator[None]:
    embedded = EmbeddedWorker(configuration)
    try:
        embedded.start()
    except SystemExit:  # told to end while it starts
        embedded.stop()
        raise
    try:
        yield
    finally:
        embedded.stop()


def _serve(server: Server) -> None:
    when_it_answers(server.reached_at, lambda: click.echo(f"coilbench is ready at {server.address}"))
    server.run()
