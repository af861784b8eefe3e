"""The database: SQLite in one file, or PostgreSQL.

SQLite recipe (tried with 6 processes x 200 claims, no double claim, no error): the driver's own transactions off, WAL,
wait 5 s for the lock, foreign keys on, and writers that take the lock at once (`BEGIN IMMEDIATE`), because a
transaction that reads first and then wants to write can't wait for the lock.

PostgreSQL: what a process has locked that stands still, or whose host is cut off, is let go after a while; a server
that vanished is noticed by the connections to it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import structlog
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.engine import ExceptionContext
from sqlalchemy.exc import InterfaceError, OperationalError

from coilbench_worker.metrics import instruments
from coilbench_worker.store import migration
from coilbench_worker.store.standing import Standing
from coilbench_worker.store.write_ahead import log_ahead

BUSY_TIMEOUT_S = 5
CONNECT_WITHIN_S = 5
IDLE_IN_WRITE_S = 60
"""A transaction that writes and that nothing is heard of for so long is ended by PostgreSQL, with its locks. Within one
a recording takes its place in the store, which is the longest that anybody waits there."""
VANISHED: dict[str, int] = {
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 25_000,
}
"""A server of which no packet comes back for some 25 s is gone (libpq; s, s, number, ms). The system's own settings
would wait for a quarter of an hour, or for ever."""
POOL_SIZE = 5
POOL_OVERFLOW = 45

log = structlog.get_logger(__name__)


class DatabaseUnreachable(Exception):
    """The database does not answer; the message says which and what to look at."""


class Database:
    """One database by its address; thread-safe; connections are opened when first used.

    Parameters
    ----------
    url : `sqlite:///FILE` (made, with its folder, by `migrate`) or `postgresql://...` (psycopg 3)
    """

    def __init__(self, url: str) -> None:
        self.url = driver_url(url)
        self.engine = self._engine()

    @property
    def sqlite(self) -> bool:
        """Whether this is SQLite."""
        return self.url.get_backend_name() == "sqlite"

    @property
    def made(self) -> bool:
        """Whether there is a database to connect to, as far as that is known without connecting; changes nothing."""
        return not self.sqlite or not self.url.database or Path(self.url.database).exists()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection to read with; on SQLite all reads of the block see one state of the database."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A connection whose block is one transaction: committed at its end, rolled back by an exception."""
        with self.engine.connect() as connection:
            connection.execution_options(writes=True)
            with connection.begin():
                yield connection

    def migrate(self, revision: str = "head") -> None:
        """Bring the tables to `revision`, newer ones excepted; several processes may call it at once."""
        migration.upgrade(self.url, revision)

    def require_fit(self) -> None:
        """See that this program can work with the tables that are there; the log says when they are newer than it.

        Raises
        ------
        TablesUnfit, TablesBeyond : it can't
        DatabaseUnreachable : the database does not answer
        """
        if self.made:
            self.ping()
        here = self.revision()
        if migration.require_fit(here) is Standing.NEWER:
            log.warning(
                "the tables are newer than this program, and it works with them", here=here, ours=migration.head()
            )

    def revision(self) -> str | None:
        """Revision of the tables now, None when there are none."""
        return migration.current(self.url)

    def ping(self) -> None:
        """Ask the database for a sign of life.

        Raises
        ------
        DatabaseUnreachable : it gave none
        """
        try:
            with self.read() as connection:
                connection.execute(text("SELECT 1"))
        except OperationalError as error:
            raise DatabaseUnreachable(
                f"{self.url.render_as_string()} does not answer ({str(error.orig).splitlines()[0]}); "
                "see that it runs, and that COILBENCH_DATABASE_URL and COILBENCH_DATABASE_PASSWORD are right"
            ) from error

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def _engine(self) -> Engine:
        common: dict[str, Any] = {
            "json_serializer": _json,
            "pool_size": POOL_SIZE,
            "max_overflow": POOL_OVERFLOW,
        }
        if not self.sqlite:
            reaching = {"connect_timeout": CONNECT_WITHIN_S, **VANISHED}
            engine = create_engine(self.url, pool_pre_ping=True, connect_args=reaching, **common)
            event.listen(engine, "handle_error", _count_error)
            event.listen(engine, "begin", _begin_postgres)
            return engine
        engine = create_engine(self.url, connect_args={"timeout": BUSY_TIMEOUT_S}, **common)
        event.listen(engine, "handle_error", _count_error)
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine


def driver_url(url: str) -> URL:
    """`url` with the driver filled in: psycopg 3 for PostgreSQL."""
    parsed = make_url(url)
    return parsed.set(drivername="postgresql+psycopg") if parsed.get_backend_name() == "postgresql" else parsed


def _count_error(context: ExceptionContext) -> None:
    if isinstance(context.sqlalchemy_exception, OperationalError | InterfaceError):
        instruments().store_errors.labels("database").inc()


def _json(value: Any) -> str:
    """JSON text for a column; NaN and infinities are refused (ValueError)."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_S * 1000}")
    log_ahead(connection)
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _begin_postgres(connection: Connection) -> None:
    if connection.get_execution_options().get("writes", False):
        connection.exec_driver_sql(f"SET LOCAL idle_in_transaction_session_timeout = '{IDLE_IN_WRITE_S}s'")
