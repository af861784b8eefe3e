"""Old and new programs side by side on one database: which tables a program works with, and what steps may do."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import Connection, MetaData, Table, inspect, text
from sqlalchemy.types import JSON, DateTime, Float, Integer, LargeBinary, TypeEngine

from coilbench_worker.store import migration
from coilbench_worker.store.database import Database
from coilbench_worker.store.standing import WORKS_UP_TO, Standing, TablesBeyond, TablesUnfit, standing

FIRST_EXPANSION = "0006"
STEPS = [pair for pair in zip(migration.known(), migration.known()[1:], strict=False) if pair[1] >= FIRST_EXPANSION]
KNOWN = ["0001", "0002", "0003"]


@pytest.mark.parametrize(
    ("revision", "expected"),
    [
        (None, Standing.NONE),
        ("0001", Standing.OLDER),
        ("0003", Standing.OURS),
        ("0004", Standing.NEWER),
        ("0099", Standing.NEWER),
        ("0100", Standing.BEYOND),
        ("0000", Standing.BEYOND),
        ("4f2a", Standing.BEYOND),
        ("00004", Standing.BEYOND),
    ],
)
def test_tables_that_only_add_are_fit_and_others_are_not(revision: str | None, expected: Standing) -> None:
    assert standing(revision, KNOWN, "0099") is expected


def test_revisions_are_numbered_in_order_and_this_program_works_with_its_own() -> None:
    assert migration.known() == sorted(migration.known())
    assert all(len(revision) == len(WORKS_UP_TO) and revision.isdecimal() for revision in migration.known())
    assert migration.head() == migration.known()[-1]
    assert str(migration.head()) <= WORKS_UP_TO


def marked(database: Database, revision: str) -> None:
    """As a newer version leaves the tables, as far as an older program can see."""
    with database.write() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = :revision"), {"revision": revision})


def test_newer_tables_are_left_as_they_are_and_worked_with(database: Database) -> None:
    marked(database, WORKS_UP_TO)
    database.require_fit()
    database.migrate()
    assert database.revision() == WORKS_UP_TO


def test_tables_beyond_are_refused_and_the_advice_is_a_newer_version(database: Database) -> None:
    marked(database, f"{int(WORKS_UP_TO) + 1:04}")
    for act in (database.require_fit, database.migrate):
        with pytest.raises(TablesBeyond, match="install the newer version here as well"):
            act()


def test_older_tables_are_refused_and_the_advice_is_to_migrate(database_url: str) -> None:
    database = Database(database_url)
    with pytest.raises(TablesUnfit, match="no tables yet; run `coilbench-server migrate` first"):
        database.require_fit()
    database.migrate("0005")
    with pytest.raises(TablesUnfit, match=r"at revision 0005, this version needs .*; run `coilbench-server migrate`"):
        database.require_fit()
    database.close()


def begins_a_hundred(before: str, after: str) -> bool:
    return int(after) // 100 > int(before) // 100


def as_reflected(connection: Connection) -> MetaData:
    tables = MetaData()
    tables.reflect(connection, only=lambda name, _: name != "alembic_version")
    return tables


def test_there_are_steps_to_look_at() -> None:
    assert STEPS[0] == ("0005", FIRST_EXPANSION)


@pytest.mark.parametrize(("before", "after"), STEPS, ids=[after for _, after in STEPS])
def test_a_step_takes_nothing_away_and_asks_for_nothing_new(before: str, after: str, database_url: str) -> None:
    database = Database(database_url)
    database.migrate(before)
    with database.read() as connection:
        old = as_reflected(connection)
    database.migrate(after)
    with database.read() as connection:
        new = as_reflected(connection)
        taken = list(taken_away(old, new)) + list(unique_now(connection, old))
    database.close()
    assert taken == [] or begins_a_hundred(before, after), taken


def taken_away(old: MetaData, new: MetaData) -> Iterator[str]:
    """What the program of before misses, or is asked for without knowing of it."""
    for name, table in old.tables.items():
        if name not in new.tables:
            yield f"table {name} is gone"
            continue
        there = new.tables[name].columns
        for column in table.columns:
            if column.name not in there:
                yield f"{name}.{column.name} is gone"
            elif column.nullable and not there[column.name].nullable:
                yield f"{name}.{column.name} may not be null any more"
            elif not isinstance(there[column.name].type, type(column.type)):
                yield f"{name}.{column.name} is of another type"
        for column in there:
            if column.name not in table.columns and not column.nullable and column.server_default is None:
                yield f"{name}.{column.name} is new and wants a value"


def unique_now(connection: Connection, old: MetaData) -> Iterator[str]:
    """Columns of the program of before that must be unique and needed not."""
    for name, table in old.tables.items():
        before = {frozenset(index.columns.keys()) for index in table.indexes if index.unique}
        before |= {frozenset(rule.columns.keys()) for rule in table.constraints if hasattr(rule, "columns")}
        for index in inspect(connection).get_indexes(name):
            if index["unique"] and frozenset(index["column_names"]) not in before:
                yield f"{name} may have each {index['column_names']} only once now"


@pytest.mark.parametrize(("before", "after"), STEPS, ids=[after for _, after in STEPS])
def test_what_the_program_of_before_writes_and_reads_still_works(before: str, after: str, database_url: str) -> None:
    """Its INSERT, UPDATE, SELECT and DELETE name the columns of its own tables and no others."""
    if begins_a_hundred(before, after):
        return
    database = Database(database_url)
    database.migrate(before)
    with database.read() as connection:
        old = as_reflected(connection)
    database.migrate(after)
    rows = {table.name: row_of(table) for table in old.sorted_tables}
    with database.write() as connection:
        for table in old.sorted_tables:
            connection.execute(table.insert().values(rows[table.name]))
        for table in old.sorted_tables:
            first = next(iter(table.primary_key.columns))
            connection.execute(table.update().values(rows[table.name]).where(first == rows[table.name][first.name]))
            (found,) = connection.execute(table.select()).all()
            assert set(found._mapping) == set(rows[table.name])
            assert found._mapping[first.name] == rows[table.name][first.name]
        for table in reversed(old.sorted_tables):
            connection.execute(table.delete())
    with database.read() as connection:
        assert all(connection.execute(table.select()).first() is None for table in old.sorted_tables)
    database.close()


def row_of(table: Table) -> dict[str, Any]:
    """One value for each column; what refers to another table's row finds it, since all texts are alike."""
    return {column.name: value_of(column.type) for column in table.columns}


def value_of(kind: TypeEngine[Any]) -> Any:
    if isinstance(kind, DateTime):
        return datetime(2026, 1, 1, tzinfo=UTC)
    if isinstance(kind, JSON):
        return {}
    if isinstance(kind, LargeBinary):
        return b"x"
    return 1 if isinstance(kind, Integer | Float) else "x"
