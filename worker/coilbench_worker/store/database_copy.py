"""The whole database as one file, made while others go on writing, and put back from it.

SQLite by its own online backup; PostgreSQL by `pg_dump` and `pg_restore`, which keep to the tables of this program.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL, Connection, create_engine, func, inspect, select, text
from sqlalchemy.pool import NullPool

from coilbench_worker.store.database import BUSY_TIMEOUT_S, Database
from coilbench_worker.store.schema import files, metadata, nodes

POSTGRES_PACKAGE = "postgresql-client"
_VERSION_TABLE = "alembic_version"
_PASSING = frozenset({"installation", nodes.name})
"""Tables that say what is the case just now; whether they hold something does not matter."""


class CopyFailed(Exception):
    """The database could not be copied or put back; the message says why and what to do."""


@dataclass(frozen=True)
class Contents:
    """What a database holds: its revision, rows by table, and bytes of each recording by the key of its blob."""

    revision: str | None
    rows: dict[str, int]
    recordings: dict[str, int]


def file_name(database: Database) -> str:
    """What the copy is called; it says of which kind of database it is."""
    return "database.sqlite" if database.sqlite else "database.dump"


def copy_out(database: Database, path: Path) -> Contents:
    """Copy the database as it is at one instant; the contents are those of the copy.

    Raises
    ------
    CopyFailed : a program is missing, or failed
    """
    if database.sqlite:
        _copy_sqlite(_file_of(database), path)
        return _contents_of_sqlite(path)
    program = _program("pg_dump")
    engine = database.engine.execution_options(isolation_level="REPEATABLE READ")
    with engine.connect() as connection, connection.begin():
        snapshot = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
        tables = (f"--table={name}" for name in _ours(connection))
        _run([program, "--format=custom", f"--snapshot={snapshot}", f"--file={path}", *tables], database.url)
        return contents(connection)


def copy_in(database: Database, path: Path) -> None:
    """Put the copy in the place of what is in the database, in one step.

    Raises
    ------
    CopyFailed : a program is missing, or failed; nothing was changed
    """
    if database.sqlite:
        make_folder(database)
        _copy_sqlite(path, _file_of(database))
        return
    options = ("--clean", "--if-exists", "--no-owner", "--no-privileges", "--single-transaction", "--exit-on-error")
    _run([_program("pg_restore"), *options, "--dbname", _without_password(database.url), str(path)], database.url)


def make_folder(database: Database) -> None:
    """Make the folder of SQLite's file where there is none, for its owner alone: the database has secrets."""
    if database.sqlite:
        _file_of(database).parent.mkdir(mode=0o700, parents=True, exist_ok=True)


def contents(connection: Connection) -> Contents:
    """What the database holds, as this connection sees it."""
    there = _ours(connection)
    rows = {
        name: connection.execute(select(func.count()).select_from(metadata.tables[name])).scalar_one()
        for name in there
        if name in metadata.tables
    }
    revision = (
        connection.execute(text(f"SELECT version_num FROM {_VERSION_TABLE}")) if _VERSION_TABLE in there else None
    )
    query = select(files.c.blob, files.c.bytes)
    recordings = {row.blob: row.bytes for row in connection.execute(query)} if files.name in there else {}
    return Contents(
        revision=None if revision is None else revision.scalar_one_or_none(),
        rows=rows,
        recordings=recordings,
    )


def held(database: Database) -> list[str]:
    """The tables that hold something which a copy put in their place would delete."""
    if not database.made:
        return []
    with database.engine.connect() as connection:
        return sorted(name for name, number in contents(connection).rows.items() if number and name not in _PASSING)


def _ours(connection: Connection) -> list[str]:
    there = set(inspect(connection).get_table_names())
    return [name for name in (*metadata.tables, _VERSION_TABLE) if name in there]


def _file_of(database: Database) -> Path:
    if not database.url.database:
        raise CopyFailed("a database in memory can't be copied; COILBENCH_DATABASE_URL names no file")
    return Path(database.url.database)


def _copy_sqlite(source: Path, target: Path) -> None:
    """Readers and writers of either go on: the source is read as it is at one instant, the target written at once."""
    try:
        with (
            closing(sqlite3.connect(source, timeout=BUSY_TIMEOUT_S)) as from_,
            closing(sqlite3.connect(target, timeout=BUSY_TIMEOUT_S)) as to,
        ):
            from_.backup(to, pages=-1)
            found = to.execute("PRAGMA quick_check").fetchone()[0]
    except sqlite3.Error as error:
        raise CopyFailed(f"copying {source} to {target} failed: {error}") from error
    if found != "ok":
        raise CopyFailed(f"the database {source} is damaged ({found}); put back the last good copy")


def _contents_of_sqlite(path: Path) -> Contents:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it
    engine = create_engine(f"sqlite:///{path}", poolclass=NullPool)
    with engine.connect() as connection:
        return contents(connection)


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise CopyFailed(
            f"{name} is not on the PATH; it comes with PostgreSQL's client programs (Debian: apt-get install "
            f"{POSTGRES_PACKAGE}), of the server's version or newer"
        )
    return found


def _run(command: Iterable[str], url: URL) -> None:
    """Run one of PostgreSQL's programs; the password goes by the environment, where others can't read it."""
    command = list(command)
    environment = dict(os.environ)
    password = url.query.get("password") if url.password is None else url.password
    if password is not None:
        environment["PGPASSWORD"] = str(password)
    if "--dbname" not in command:
        command.append(f"--dbname={_without_password(url)}")
    done = subprocess.run(
        command, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        said = " ".join(done.stderr.split())[:500]
        raise CopyFailed(f"{Path(command[0]).name} ended with {done.returncode}: {said}")


def _without_password(url: URL) -> str:
    query = {name: value for name, value in url.query.items() if name != "password"}
    plain = URL.create("postgresql", url.username, None, url.host, url.port, url.database, query)
    return plain.render_as_string(hide_password=False)
