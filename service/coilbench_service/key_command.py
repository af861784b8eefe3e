"""`coilbench-server key`: access keys made, listed and revoked, in the database itself.

It needs no running service and no key: who can read the database's settings could change the rows as well.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

import click

from coilbench_service import key_changes, readiness
from coilbench_service.bench import Bench
from coilbench_service.key_view import key_view
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord

_HEADINGS = ("id", "name", "scopes", "created", "ends", "last used")


def make(
    configuration: Configuration,
    name: str,
    scopes: tuple[str, ...],
    *,
    days: int | None,
    requests_per_minute: int | None,
    upload_bytes_per_day: int | None,
    as_json: bool,
) -> None:
    """Print a fresh key on standard output; what to do with it goes to standard error."""
    with _database(configuration) as database:
        key, record = key_changes.make(
            database,
            name,
            scopes,
            expires=None if days is None else now() + timedelta(days=days),
            requests_per_minute=requests_per_minute,
            upload_bytes_per_day=upload_bytes_per_day,
        )
    click.echo(json.dumps({**key_view(record), "key": key.text}) if as_json else key.text)
    end = "never expires" if record.expires is None else f"expires {_moment(record.expires)} UTC"
    click.echo(
        f"Key {record.id} ({name}: {', '.join(record.scopes)}) {end}. It is shown this once: keep it where only its "
        "user can read it. Client and command take it from COILBENCH_KEY.",
        err=True,
    )


def show(configuration: Configuration, *, as_json: bool) -> None:
    """Print every key, never a secret."""
    with _database(configuration) as database, database.read() as connection:
        records = keys.every(connection)
    if as_json:
        click.echo(json.dumps({"items": [key_view(record) for record in records]}))
        return
    if not records:
        click.echo("There is no key yet; `coilbench-server key make NAME --scope admin` makes one.", err=True)
        return
    rows = [_HEADINGS, *(_row(record) for record in records)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
    for row in rows:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def revoke(configuration: Configuration, id: str) -> int:
    """Make a key good for nothing from now on; 1 when there is none of that id."""
    with _database(configuration) as database, database.write() as connection:
        record = keys.revoke(connection, id)
    if record is None or record.revoked is None:
        click.echo(f"There is no key {id}; `coilbench-server key list` lists them.", err=True)
        return 1
    click.echo(f"Key {record.id} ({record.name}) is revoked since {_moment(record.revoked)} UTC.")
    return 0


def forget(configuration: Configuration, days: int) -> None:
    """Delete the rows of keys that ended so many days ago or earlier."""
    with _database(configuration) as database, database.write() as connection:
        gone = keys.forget_ended_before(connection, now() - timedelta(days=days))
    click.echo(f"{gone} {'key' if gone == 1 else 'keys'} that ended more than {days} days ago forgotten.")


@contextmanager
def _database(configuration: Configuration) -> Iterator[Database]:
    """The database, with tables of this version; those of the embedded default are made."""
    bench = Bench.of(configuration)
    try:
        if configuration.database_url is None and configuration.embedded:
            bench.database.migrate()  # as `up` would: the first key comes before the first start
        readiness.require_tables(bench)
        yield bench.database
    finally:
        bench.close()


def _row(record: KeyRecord) -> tuple[str, ...]:
    if record.revoked is not None:
        end = f"revoked {_moment(record.revoked)}"
    elif record.expires is None:
        end = "never"
    else:
        end = f"{'expires' if record.good(now()) else 'expired'} {_moment(record.expires)}"
    used = "never" if record.last_used is None else _moment(record.last_used)
    return (record.id, record.name, " ".join(record.scopes), _moment(record.created), end, used)


def _moment(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"
