"""An access key as it may be shown: never its secret, nor the hash of that."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from coilbench_service.json_document import rfc3339
from coilbench_worker.store.keys import KeyRecord

LIMITS = ("requests_per_minute", "upload_bytes_per_day")


class KeyLinks(BaseModel):
    """Where the key is looked after."""

    self: str


class KeyView(BaseModel):
    """One access key, without its secret."""

    id: str = Field(description="The part of the key that may be shown")
    name: str
    scopes: list[str] = Field(
        description="read, write (reads too), admin (writes too, and looks after keys and call-backs)"
    )
    created: datetime
    expires: datetime | None
    revoked: datetime | None
    last_used: datetime | None = Field(description="To the minute")
    requests_per_minute: int | None = Field(description="null: the limit of the settings holds")
    upload_bytes_per_day: int | None = Field(description="null: the limit of the settings holds")
    links: KeyLinks


class NewKeyView(KeyView):
    """A key that was just made; it is shown this once."""

    key: str = Field(description="The whole key, for the header Authorization: Bearer KEY")


class KeyPage(BaseModel):
    """Keys in the order in which they were made, also those that ended."""

    items: list[KeyView]
    next: str | None


def key_path(id: str) -> str:
    """Address of a key."""
    return f"/v1/keys/{id}"


def key_view(record: KeyRecord) -> dict[str, Any]:
    """The key as JSON values."""
    moments = {name: getattr(record, name) for name in ("created", "expires", "revoked", "last_used")}
    return {
        "id": record.id,
        "name": record.name,
        "scopes": list(record.scopes),
        **{name: None if moment is None else rfc3339(moment) for name, moment in moments.items()},
        **{name: getattr(record, name) for name in LIMITS},
        "links": {"self": key_path(record.id)},
    }
