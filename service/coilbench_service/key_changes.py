"""Access keys are made, changed and revoked."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, field_validator, model_validator
from sqlalchemy import Connection

from coilbench_service import access_key
from coilbench_service import problem_kinds as kinds
from coilbench_service.access_key import AccessKey
from coilbench_service.asker import ADMIN, SCOPES
from coilbench_service.key_view import LIMITS
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord

MOST_DAYS = 3650
MOST_REQUESTS = 1_000_000
MOST_BYTES = 1 << 50
LEAST_BYTES = 1024
MOST_CHARACTERS = 100

Name = Annotated[str, StringConstraints(min_length=1, max_length=MOST_CHARACTERS, pattern=r"^[^\x00-\x1f\x7f]*$")]
Scope = Literal["read", "write", "admin"]


class KeyLimits(BaseModel):
    """What a key may have of its own."""

    model_config = ConfigDict(extra="forbid", strict=True)

    expires: AwareDatetime | None = Field(
        None, strict=False, description="When it ends, RFC 3339; at most ten years from now. null: never"
    )
    requests_per_minute: int | None = Field(
        None, ge=1, le=MOST_REQUESTS, description="Requests in a minute; null: as the settings have it"
    )
    upload_bytes_per_day: int | None = Field(
        None, ge=LEAST_BYTES, le=MOST_BYTES, description="Bytes of recordings in a day; null: as the settings have it"
    )

    @field_validator("expires", mode="before")
    @classmethod
    def _written_out(cls, value: Any) -> Any:
        if value is not None and not (isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d[Tt ]", value)):
            raise ValueError("must be RFC 3339, such as 2026-03-01T09:30:00Z")
        return value

    @field_validator("expires")
    @classmethod
    def _to_come(cls, moment: datetime | None) -> datetime | None:
        instant = now()
        if moment is not None and not instant < moment <= instant + timedelta(days=MOST_DAYS):
            raise ValueError(f"must be to come, within {MOST_DAYS} days")
        return moment and moment.astimezone(UTC)


class NewKey(KeyLimits):
    """A key to be."""

    name: Name = Field(description="Who or what it is for")
    scopes: list[Scope] = Field(min_length=1, max_length=3, description="read, write (reads too), admin (all)")
    days: int | None = Field(None, ge=1, le=MOST_DAYS, description="Days until it ends, in the place of expires")

    @model_validator(mode="after")
    def _one_end(self) -> NewKey:
        if self.days is not None and self.expires is not None:
            raise ValueError("give expires or days, not both")
        return self

    def end(self) -> datetime | None:
        """When the key ends, reckoned from now; None: never."""
        return self.expires if self.days is None else now() + timedelta(days=self.days)


class KeyChange(KeyLimits):
    """What changes of a key; what is left out stays."""

    name: Name | None = Field(None, description="Who or what it is for; null leaves it as it is")


def make(
    database: Database,
    name: str,
    scopes: Iterable[str],
    *,
    expires: datetime | None = None,
    requests_per_minute: int | None = None,
    upload_bytes_per_day: int | None = None,
) -> tuple[AccessKey, KeyRecord]:
    """Make a key and enter it; the secret is nowhere but in what is returned.

    Parameters
    ----------
    scopes : of `SCOPES`; what they include need not be named
    expires : None: never
    """
    key = access_key.make()
    with database.write() as connection:
        record = keys.enter(
            connection,
            key.id,
            name=name,
            secret_sha256=access_key.sha256(key.secret),
            scopes=sorted(set(scopes), key=SCOPES.index),
            expires=expires,
            requests_per_minute=requests_per_minute,
            upload_bytes_per_day=upload_bytes_per_day,
        )
    return key, record


def change(database: Database, id: str, asked: KeyChange) -> KeyRecord:
    """Change what is said of a key, and its limits.

    Raises
    ------
    Problem : no-such-key, last-admin-key
    """
    fields = {name: getattr(asked, name) for name in ("name", "expires", *LIMITS) if name in asked.model_fields_set}
    if fields.get("name", "") is None:
        del fields["name"]
    with database.write() as connection:
        if fields.get("expires") is not None:
            _require_another_admin(connection, id, until=fields["expires"])
        return _existing(keys.change(connection, id, fields), id)


def revoke(database: Database, id: str) -> KeyRecord:
    """Make a key good for nothing from now on; its row stays, so that its last use can be seen.

    Raises
    ------
    Problem : no-such-key, last-admin-key
    """
    with database.write() as connection:
        _require_another_admin(connection, id)
        return _existing(keys.revoke(connection, id), id)


def existing(connection: Connection, id: str) -> KeyRecord:
    """The key of that id.

    Raises
    ------
    Problem : no-such-key
    """
    return _existing(keys.get(connection, id), id)


def no_such_key(id: str) -> Problem:
    """What is said of an id that no key has."""
    return Problem(kinds.NO_SUCH_KEY, f"There is no access key {id!r:.40}.")


def _existing(record: KeyRecord | None, id: str) -> KeyRecord:
    if record is None:
        raise no_such_key(id)
    return record


def _require_another_admin(connection: Connection, id: str, until: datetime | None = None) -> None:
    """See that somebody can still look after keys when this one is gone; two who go at once wait for each other.

    Parameters
    ----------
    until : when the key is to end, to be held against those that stay; None: now
    """
    admins = {record.id: record for record in keys.good(connection, ADMIN, lock=True)}
    this = admins.pop(id, None)
    if this is None:
        return
    if until is None and admins:
        return
    if until is not None and any(one.expires is None or one.expires >= until for one in admins.values()):
        return
    if until is not None and this.expires is not None and this.expires <= until:
        return  # it gets longer
    what = "revoked" if until is None else "given an end"
    detail = f"Without the key {id} no key could look after keys any more, so it can't be {what} here."
    raise Problem(
        kinds.LAST_ADMIN_KEY, detail, errors=[] if until is None else [FieldError("expires", "would be last")]
    )
