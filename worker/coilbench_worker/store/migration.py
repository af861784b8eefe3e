"""Moving the tables from one revision to the next (Alembic; the steps are in `store/migrations/versions`)."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, create_engine, event, text
from sqlalchemy.pool import NullPool

from coilbench_worker.store.standing import Standing, TablesBeyond, TablesUnfit, standing
from coilbench_worker.store.write_ahead import log_ahead

# Any number will do, so long as nothing else in the same PostgreSQL server takes it.
ADVISORY_LOCK = 0x636F696C  # "coil"
BUSY_TIMEOUT_S = 60


def upgrade(url: URL, revision: str = "head") -> None:
    """Bring the tables to `revision`, one process at a time, in one transaction; newer ones are left as they are.

    Raises
    ------
    TablesBeyond : they have gone further than this program can follow
    """
    with _alone(url) as connection:
        here = MigrationContext.configure(connection).get_current_revision()
        if standing(here, known()) in (Standing.NEWER, Standing.BEYOND):
            require_fit(here)
        else:
            command.upgrade(_config(connection), revision)


def require_fit(revision: str | None) -> Standing:
    """How tables at that revision stand to this program, which can work with them.

    Raises
    ------
    TablesUnfit, TablesBeyond : it can't; the message says what to do
    """
    found = standing(revision, known())
    match found:
        case Standing.NONE:
            raise TablesUnfit("the database has no tables yet; run `coilbench-server migrate` first")
        case Standing.OLDER:
            raise TablesUnfit(
                f"the tables are at revision {revision}, this version needs {head()}; run `coilbench-server migrate` "
                "first"
            )
        case Standing.BEYOND:
            raise TablesBeyond(
                f"the tables are at revision {revision}, and this version works with {head()} and what only adds to "
                "it; install the newer version here as well, or see that COILBENCH_DATABASE_URL names the right "
                "database"
            )
    return found


def downgrade(url: URL, revision: str) -> None:
    """Take the tables back to `revision` (`base` for none)."""
    with _alone(url) as connection:
        command.downgrade(_config(connection), revision)


def current(url: URL) -> str | None:
    """Revision of the tables now, None when there are none."""
    engine = create_engine(url, poolclass=NullPool)
    if url.get_backend_name() == "sqlite" and url.database and not Path(url.database).exists():
        return None
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def head() -> str | None:
    """The newest revision that this version of the program knows."""
    return ScriptDirectory.from_config(_config(None)).get_current_head()


def known() -> list[str]:
    """Every revision that this version of the program has the step of, oldest first."""
    return [step.revision for step in ScriptDirectory.from_config(_config(None)).walk_revisions()][::-1]


def _config(connection: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", (Path(__file__).parent / "migrations").as_posix().replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


@contextmanager
def _alone(url: URL) -> Iterator[Connection]:
    """A connection that holds the lock of all migrations, in a transaction.

    On SQLite foreign keys are off: changing a table there means making it anew, and dropping the old one would delete
    the rows of its children.
    """
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite and url.database:
        Path(url.database).parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    engine = create_engine(url, poolclass=NullPool, connect_args={"timeout": BUSY_TIMEOUT_S} if sqlite else {})
    if sqlite:
        event.listen(engine, "connect", _without_foreign_keys)
        event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    with engine.begin() as connection:
        if sqlite:
            yield connection
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise RuntimeError(
                    f"the migration would leave rows without their parents: {broken[:5]}; nothing was changed"
                )
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ADVISORY_LOCK})
            yield connection


def _without_foreign_keys(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    log_ahead(connection)
    connection.execute("PRAGMA foreign_keys = OFF")
