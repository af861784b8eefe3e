"""Access keys as kept, on both databases."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy.exc import IntegrityError

from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord


def entered(database: Database, id: str, **values: object) -> KeyRecord:
    given = {"name": "bench", "secret_sha256": "5" * 64, "scopes": ["read"], **values}
    with database.write() as connection:
        return keys.enter(connection, id, **given)  # type: ignore[arg-type]


def test_a_key_is_kept_without_anything_that_opens(database: Database) -> None:
    end = now() + timedelta(days=1)
    record = entered(database, "a", scopes=["read", "admin"], expires=end, requests_per_minute=7)
    assert (record.scopes, record.expires, record.requests_per_minute) == (("read", "admin"), end, 7)
    assert (record.revoked, record.last_used, record.upload_bytes_per_day) == (None, None, None)
    assert "5555" not in repr(record)
    with pytest.raises(IntegrityError):
        entered(database, "a")


def test_pages_follow_the_order_in_which_keys_were_made_whatever_their_ids(database: Database) -> None:
    ids = ["c", "a", "d", "b", "e"]
    for id in ids:
        entered(database, id)
    seen, cursor = [], None
    with database.read() as connection:
        while True:
            page = keys.page(connection, 2, cursor)
            seen += [record.id for record in page.items]
            cursor = page.next
            if cursor is None:
                break
        assert seen == ids == [record.id for record in keys.every(connection)]
        assert keys.page(connection, 2, "nobody") == keys.KeyPage([], None)


def test_a_revoked_or_expired_key_is_good_no_more(database: Database) -> None:
    instant = now()
    entered(database, "gone", expires=instant - timedelta(seconds=1), scopes=["admin"])
    entered(database, "soon", expires=instant + timedelta(hours=1), scopes=["admin"])
    entered(database, "back", scopes=["admin"])
    entered(database, "only-reads")
    with database.write() as connection:
        first = keys.revoke(connection, "back")
        assert first is not None
        assert keys.revoke(connection, "back") == first, "the first moment stays"
        assert keys.revoke(connection, "nobody") is None
    with database.read() as connection:
        assert [record.id for record in keys.good(connection, "admin")] == ["soon"]
        assert [record.id for record in keys.good(connection)] == ["only-reads", "soon"]
        assert {record.id for record in keys.every(connection) if record.good(instant)} == {"soon", "only-reads"}


def test_a_use_is_written_once_a_minute(database: Database) -> None:
    instant = now()
    entered(database, "a")

    def touched(seconds: float) -> KeyRecord:
        with database.write() as connection:
            keys.touch(connection, "a", instant + timedelta(seconds=seconds))
            record = keys.get(connection, "a")
        assert record is not None
        return record

    assert touched(0).last_used == instant
    assert touched(59).last_used == instant
    assert keys.used(touched(59), instant + timedelta(seconds=59))
    assert not keys.used(touched(59), instant + timedelta(seconds=60))
    assert touched(60).last_used == instant + timedelta(seconds=60)
    assert touched(0).last_used == instant, "the clock was set back: the later moment was never"


def test_only_keys_that_ended_long_ago_are_forgotten(database: Database) -> None:
    instant = now()
    entered(database, "longgone", expires=instant - timedelta(days=100))
    entered(database, "gone", expires=instant - timedelta(days=1))
    entered(database, "good")
    with database.write() as connection:
        assert keys.forget_ended_before(connection, instant - timedelta(days=90)) == 1
        assert [record.id for record in keys.every(connection)] == ["gone", "good"]
