"""Who looks after keys can't lock everybody out over HTTP, on both databases."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest

from coilbench_service import key_changes
from coilbench_service.key_changes import KeyChange
from coilbench_service.problems import Problem
from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now


def made(database: Database, *scopes: str, **limits: object) -> str:
    return key_changes.make(database, "bench", scopes, **limits)[0].id  # type: ignore[arg-type]


def test_of_two_admins_who_revoke_each_other_at_once_one_stays(database: Database) -> None:
    ids = [made(database, "admin"), made(database, "admin")]
    refused: list[str] = []
    together = threading.Barrier(2)

    def revoke(id: str) -> None:
        together.wait()
        try:
            key_changes.revoke(database, id)
        except Problem as problem:
            refused.append(problem.kind.slug)

    threads = [threading.Thread(target=revoke, args=(id,)) for id in ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as connection:
        assert len(keys.good(connection, "admin")) == 1
    assert refused == ["last-admin-key"]


def test_the_last_admin_gets_no_end_before_another_has_none(database: Database) -> None:
    first = made(database, "admin")
    made(database, "write")
    soon = KeyChange.model_validate({"expires": (now() + timedelta(days=3)).isoformat()})
    with pytest.raises(Problem, match="last-admin-key"):
        key_changes.change(database, first, soon)
    made(database, "admin", expires=now() + timedelta(days=1))
    with pytest.raises(Problem, match="last-admin-key"):
        key_changes.change(database, first, soon)
    made(database, "read", "admin")
    assert key_changes.change(database, first, soon).expires == soon.expires


def test_the_end_of_the_last_admin_can_be_put_off(database: Database) -> None:
    id = made(database, "admin", expires=now() + timedelta(days=1))
    later = KeyChange.model_validate({"expires": (now() + timedelta(days=2)).isoformat()})
    assert key_changes.change(database, id, later).expires == later.expires
    for_ever = KeyChange.model_validate({"expires": None})
    assert key_changes.change(database, id, for_ever).expires is None


def test_a_key_that_looks_after_nothing_can_always_be_revoked(database: Database) -> None:
    record = key_changes.revoke(database, made(database, "write"))
    assert record.revoked is not None
    with pytest.raises(Problem, match="no-such-key"):
        key_changes.revoke(database, "0" * 16)
