"""Keys for a service under test, entered as the commands enter them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from coilbench_service import access_key
from coilbench_worker.store import keys
from coilbench_worker.store.instants import now
from http_service import Service


def key_made(service: Service, scope: str = "write", *, ends_in: timedelta | None = None, **limits: Any) -> str:
    """The text of a fresh key; limits are columns of the table of keys."""
    key = access_key.make()
    with service.bench.database.write() as connection:
        keys.enter(
            connection,
            key.id,
            name=f"the {scope} key",
            secret_sha256=access_key.sha256(key.secret),
            scopes=[scope],
            expires=None if ends_in is None else now() + ends_in,
            **limits,
        )
    return key.text


def revoked(service: Service, text: str) -> None:
    """End a key."""
    key = access_key.parse(text)
    assert key is not None
    with service.bench.database.write() as connection:
        assert keys.revoke(connection, key.id) is not None


def shown(text: str) -> dict[str, str]:
    """The header with which a program shows a key."""
    return {"Authorization": f"Bearer {text}"}
