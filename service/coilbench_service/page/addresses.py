"""Where the pages of pickups and sessions are; a key that fits no address has its recordings instead."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

from coilbench_service.sheet import SheetFaulty, key_checked
from coilbench_service.sheet_kind import PICKUP, SESSION, SheetKind


def page_of(kind: SheetKind, key: str) -> str:
    """Address of a pickup's or session's page; of the recordings that name it, where no address can hold the key."""
    try:
        return kind.path(key_checked(key)).removeprefix("/v1")
    except SheetFaulty:
        return f"/?{urlencode({kind.name: key})}"


FILTERS: dict[str, Callable[..., str]] = {
    "pickup_page": lambda key: page_of(PICKUP, key),
    "session_page": lambda key: page_of(SESSION, key),
}
