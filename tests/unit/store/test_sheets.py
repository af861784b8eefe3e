"""Sheets of pickups and sessions, and words, on both databases: entered, paged, found, changed, held, deleted."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from arrivals import arrive
from coilbench_worker.store import idempotency, sheets, takes, words
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.pickups import PICKUPS
from coilbench_worker.store.sessions import SESSIONS
from coilbench_worker.store.sheets import LOCK_SPACE, SheetRecord, Sheets

SHEET = {"turns": 5400, "dcr_ohm": 0.1 + 0.2, "active": False, "extra": {"wound by": "Ines Ω", "list": [1, None, {}]}}
BRIGHT = [{"quantity": "treble_db", "direction": "more", "amount": 1.5}]

each_kind = pytest.mark.parametrize(
    ("store", "other"), [(PICKUPS, SESSIONS), (SESSIONS, PICKUPS)], ids=["pickups", "sessions"]
)


def added(database: Database, store: Sheets, key: str = "mill", **sheet: object) -> SheetRecord:
    with database.write() as connection:
        record = store.add(connection, key, sheet)
    assert record is not None
    return record


def read(database: Database, store: Sheets, key: str = "mill") -> SheetRecord | None:
    with database.read() as connection:
        return store.get(connection, key)


@each_kind
def test_a_sheet_is_read_as_it_was_added_and_is_of_its_kind_only(
    database: Database, store: Sheets, other: Sheets
) -> None:
    record = added(database, store, "Mühle 'Ω'", **SHEET)
    assert read(database, store, "Mühle 'Ω'") == record
    assert json.dumps(record.sheet) == json.dumps(SHEET)  # 5400 and not 5400.0, false and not 0, in the same order
    assert record.created == record.updated
    assert read(database, store, "mühle 'ω'") is None
    assert read(database, other, "Mühle 'Ω'") is None
    with database.read() as connection:
        assert (store.count(connection), other.count(connection)) == (1, 0)


@each_kind
def test_a_key_belongs_to_one_sheet_of_a_kind(database: Database, store: Sheets, other: Sheets) -> None:
    first = added(database, store, name="first")
    with database.write() as connection:
        assert store.add(connection, "mill", {"name": "second"}) is None
    assert read(database, store) == first
    assert added(database, other, name="of the other kind").key == "mill"


def test_pages_lead_to_the_next_and_together_they_are_all(database: Database) -> None:
    made = [added(database, PICKUPS, key) for key in ("e", "d", "c", "b", "a")]
    seen: list[SheetRecord] = []
    sizes = []
    cursor = None
    with database.read() as connection:
        while True:
            page = PICKUPS.page(connection, 2, cursor)
            seen += page.items
            sizes.append(len(page.items))
            if (cursor := page.next) is None:
                break
        assert PICKUPS.page(connection, 5).next is None
        assert SESSIONS.page(connection, 5) == sheets.SheetPage([], None)
    assert (seen, sizes) == (made, [2, 2, 1])


def test_sheets_are_found_by_key_in_the_order_in_which_they_were_made(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "KEYS_OF_EACH", 2)  # so that five keys are asked for in three parts
    made = {key: added(database, SESSIONS, key) for key in ("e", "d", "c", "b")}
    with database.read() as connection:
        every = SESSIONS.by_key(connection)
        assert (every, list(every)) == (made, ["e", "d", "c", "b"])
        assert SESSIONS.by_key(connection, ["b", "none", "e", "d", "c"]) == made
        assert SESSIONS.by_key(connection, ["c", "none"]) == {"c": made["c"]}
        assert SESSIONS.by_key(connection, []) == {}


def test_a_change_puts_another_sheet_in_the_place_of_what_was_said(database: Database) -> None:
    before = added(database, PICKUPS, name="old", notes="said")
    bystander = added(database, PICKUPS, "other", name="other")
    with database.write() as connection:
        changed = PICKUPS.change(connection, "mill", {"name": "new"})
        assert PICKUPS.change(connection, "none", {"name": "new"}) is None
    assert changed == read(database, PICKUPS)
    assert (changed.id, changed.key, changed.sheet) == (before.id, "mill", {"name": "new"})
    assert (changed.created, changed.updated > before.updated) == (before.created, True)
    assert read(database, PICKUPS, "other") == bystander
    assert read(database, PICKUPS, "none") is None


@each_kind
def test_a_sheet_that_is_removed_takes_its_remembered_answers_along_and_nothing_else(
    database: Database, blobs: Blobs, store: Sheets, other: Sheets
) -> None:
    take = arrive(database, blobs, about={"pickup": "mill", "session": "mill"})
    gone, stays, namesake = added(database, store), added(database, store, "stays"), added(database, other)
    name, others_name = ("pickup_id", "session_id") if store is PICKUPS else ("session_id", "pickup_id")
    with database.write() as connection:
        for key, about in (("a", {name: gone.id}), ("b", {name: stays.id}), ("c", {others_name: namesake.id})):
            assert idempotency.remember(connection, key, "0" * 64, 201, {}, **about)
    with database.write() as connection:
        assert store.remove(connection, "mill")
        assert not store.remove(connection, "mill")
        assert not store.remove(connection, "none")
    with database.read() as connection:
        assert idempotency.lookup(connection, "a") is None
        assert idempotency.lookup(connection, "b") is not None
        assert idempotency.lookup(connection, "c") is not None
        assert takes.get(connection, take.id) == take
    assert read(database, store) is None
    assert (read(database, store, "stays"), read(database, other)) == (stays, namesake)
    assert added(database, store).id != gone.id


def test_a_locked_sheet_is_shown_and_nobody_else_can_take_it(database: Database) -> None:
    record, free = added(database, PICKUPS), added(database, PICKUPS, "free")
    with database.write() as connection:
        assert PICKUPS.lock(connection, "none") is None
        assert PICKUPS.lock(connection, "mill") == record
        if connection.dialect.name == "sqlite":  # a writer has the whole database
            path = connection.engine.url.database
            assert path is not None
            with (
                closing(sqlite3.connect(path, timeout=0)) as second,
                pytest.raises(sqlite3.OperationalError, match="locked"),
            ):
                second.execute("BEGIN IMMEDIATE")
        else:
            grab = text("SELECT id FROM pickups WHERE key = :key FOR UPDATE NOWAIT")
            with connection.engine.connect() as second:
                assert second.execute(grab, {"key": "free"}).scalar_one() == free.id
                with pytest.raises(OperationalError, match="could not obtain lock"):
                    second.execute(grab, {"key": "mill"})
    with database.write() as connection:
        assert PICKUPS.lock(connection, "mill") == record


def test_sheets_that_are_held_can_be_held_by_others_only_where_both_share_them(postgres_url: str) -> None:
    database = Database(postgres_url)
    database.migrate()

    def others(kind: int) -> tuple[bool, bool]:
        """Whether somebody else could hold the sheets of the kind alone, and shared."""
        with database.read() as connection:
            here = {"space": LOCK_SPACE, "kind": kind}
            alone = connection.execute(text("SELECT pg_try_advisory_xact_lock(:space, :kind)"), here).scalar_one()
            shared = text("SELECT pg_try_advisory_xact_lock_shared(:space, :kind)")
            return alone, connection.execute(shared, here).scalar_one()

    sessions, pickups = 2, 1
    try:
        with database.write() as connection:
            SESSIONS.hold(connection)
            assert others(sessions) == (False, False)
            assert others(pickups) == (True, True)
        with database.write() as connection:
            SESSIONS.hold(connection, shared=True)
            assert others(sessions) == (False, True)
        assert others(sessions) == (True, True)
    finally:
        database.close()


def test_a_text_that_no_column_takes_is_looked_for_as_it_would_be_kept(database: Database) -> None:
    record = added(database, PICKUPS, "mi\x00ll")
    assert record.key == "mill"
    assert read(database, PICKUPS, "m\x00ill") == record
    assert read(database, PICKUPS, "\ud800") is None
    with database.read() as connection:
        assert PICKUPS.by_key(connection, ["mill\x00"]) == {"mill": record}


def test_what_is_put_for_a_word_stands_in_the_place_of_what_was_there(database: Database) -> None:
    with database.write() as connection:
        assert words.get(connection, "grell Ω") is None
        first, new = words.put(connection, "grell Ω", BRIGHT, "hurts")
        assert new
        assert words.get(connection, "grell Ω") == first
    assert (first.word, first.items, first.says) == ("grell Ω", BRIGHT, "hurts")
    with database.write() as connection:
        second, new = words.put(connection, "grell Ω", [])
        assert not new
    assert (second.items, second.says, second.updated > first.updated) == ([], None, True)
    with database.read() as connection:
        assert words.by_word(connection) == {"grell Ω": second}


def test_words_are_listed_in_their_order_and_forgotten_one_by_one(database: Database) -> None:
    with database.write() as connection:
        kept = {word: words.put(connection, word, BRIGHT)[0] for word in ("b", "Z", "a")}
        listed = words.by_word(connection)
        assert (listed, list(listed)) == (kept, ["Z", "a", "b"])
        assert words.remove(connection, "a")
        assert not words.remove(connection, "a")
        assert list(words.by_word(connection)) == ["Z", "b"]
        assert words.put(connection, "a", BRIGHT)[1]
