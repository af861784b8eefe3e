from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text

from coilbench_worker.store import chains, idempotency, migration
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import metadata
from services import wait_until


def test_migrations_lead_to_the_schema(database: Database) -> None:
    with database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_migrations_go_all_the_way_back_and_forth_again(database: Database) -> None:
    migration.downgrade(database.url, "base")
    with database.read() as connection:
        assert set(inspect(connection).get_table_names()) <= {"alembic_version"}
    assert database.revision() is None
    database.migrate()
    assert database.revision() == migration.head()


def test_revision_of_a_database_that_does_not_exist_is_none_and_makes_no_file(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    assert database.revision() is None
    assert not Path(str(database.url.database)).exists()


def test_several_migrate_at_once(database_url: str) -> None:
    faults: list[BaseException] = []

    def migrate() -> None:
        try:
            Database(database_url).migrate()
        except BaseException as error:
            faults.append(error)

    threads = [threading.Thread(target=migrate) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert Database(database_url).revision() == migration.head()


def test_migrating_keeps_the_rows(database: Database) -> None:
    with database.write() as connection:
        connection.execute(
            text(
                "INSERT INTO nodes (name, processes, started, seen) "
                "VALUES ('a', 1, '2026-01-01 00:00:00+00', '2026-01-01 00:00:00+00')"
            )
        )
    database.migrate()
    with database.read() as connection:
        assert connection.execute(text("SELECT count(*) FROM nodes")).scalar_one() == 1


def test_the_tables_are_brought_on_while_processes_at_work_hold_takes_and_go_on_to_jobs(postgres_url: str) -> None:
    database = Database(postgres_url)
    database.migrate("0005")
    migrating = threading.Thread(target=database.migrate)
    with database.write() as working:
        working.execute(text("SELECT id FROM takes FOR UPDATE"))
        migrating.start()

        def waits() -> bool:
            with database.read() as looking:
                return bool(looking.execute(text("SELECT count(*) FROM pg_locks WHERE NOT granted")).scalar_one())

        wait_until(waits, "the step waits for the process at work")
        working.execute(text("UPDATE jobs SET attempt = attempt + 1"))
        working.execute(text("UPDATE takes SET state = state"))
    migrating.join()
    assert database.revision() == migration.head()
    database.close()


def test_answers_remembered_before_they_had_their_take_get_it_or_go_with_it(database_url: str) -> None:
    database = Database(database_url)
    database.migrate("0001")
    moment = "'2026-01-01 00:00:00+00'"
    with database.write() as connection:
        connection.execute(text(f"INSERT INTO files (sha256, bytes, blob, created) VALUES ('s', 1, 'b', {moment})"))
        connection.execute(
            text(
                "INSERT INTO takes "
                "(id, created, updated, state, file_name, file_sha256, about, settings, settings_key) "
                f"VALUES ('t-1', {moment}, {moment}, 'waiting', 'a.wav', 's', '{{}}', '{{}}', 'k')"
            )
        )
        for key, take_id in (("kept", "t-1"), ("dead", "t-0")):
            statement = text(
                "INSERT INTO idempotency (key, request_sha256, status, body, created) "
                f"VALUES (:key, 'r', 202, :body, {moment})"
            )
            connection.execute(statement, {"key": key, "body": json.dumps({"id": take_id})})
    database.migrate()
    with database.read() as connection:
        rows = connection.execute(text("SELECT key, take_id FROM idempotency")).all()
    assert [tuple(row) for row in rows] == [("kept", "t-1")]
    migration.downgrade(database.url, "0001")
    with database.read() as connection:
        assert connection.execute(text("SELECT key FROM idempotency")).scalar_one() == "kept"
    database.close()


def test_going_back_before_chains_lets_go_of_what_was_answered_about_them_and_of_nothing_else(
    database: Database,
) -> None:
    with database.write() as connection:
        chain = chains.add(connection, "desk")
        assert chain is not None
        assert idempotency.remember(connection, "of a chain", "r", 201, {}, chain_id=chain.id)
        assert idempotency.remember(connection, "of nothing", "r", 201, {})
    migration.downgrade(database.url, "0002")
    with database.read() as connection:
        assert connection.execute(text("SELECT key FROM idempotency")).scalars().all() == ["of nothing"]
    database.migrate()
    with database.read() as connection:
        assert chains.get(connection, "desk") is None


def test_a_step_that_leaves_orphans_is_undone(sqlite_url: str) -> None:
    database = Database(sqlite_url)
    database.migrate()
    with (
        pytest.raises(RuntimeError, match="rows without their parents"),
        migration._alone(database.url) as connection,
    ):
        connection.execute(
            text(
                "INSERT INTO jobs (id, take_id, settings, settings_key, state, attempt, returned, created) "
                "VALUES ('j', 'no-such-take', '{}', 'k', 'waiting', 0, 0, '2026-01-01')"
            )
        )
    with database.read() as connection:
        assert connection.execute(text("SELECT count(*) FROM jobs")).scalar_one() == 0
    database.close()


def test_the_steps_travel_with_the_package() -> None:
    folder = Path(migration.__file__).parent / "migrations"
    for name in ("__init__.py", "env.py", "script.py.mako", "versions/__init__.py"):
        assert (folder / name).is_file()
