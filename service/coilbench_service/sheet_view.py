"""Data sheets of pickups and sessions as the API shows them."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field, JsonValue
from sqlalchemy import Connection

from coilbench_service.about import Conditions
from coilbench_service.json_document import rfc3339
from coilbench_service.sheet import PickupSheet, SessionSheet, fields_of
from coilbench_service.sheet_csv import MEDIA_TYPE
from coilbench_service.sheet_kind import SheetKind
from coilbench_worker.store import takes
from coilbench_worker.store.sheets import SheetRecord
from coilbench_worker.store.takes import Named

MOST_WITHOUT_SHEET = 500
"""Keys without a sheet that a page lists."""
_NOBODY = Named(0, 0)


class SheetLinks(BaseModel):
    """Where a sheet and the takes that name it are."""

    self: str
    takes: str


class _Shown(BaseModel):
    key: str
    extra: dict[str, JsonValue]
    takes: int = Field(description="Takes that name the key")
    measured_takes: int = Field(description="How many of them are measured")
    created: str = Field(description="RFC 3339, UTC")
    updated: str = Field(description="RFC 3339, UTC")
    links: SheetLinks


class Pickup(_Shown, PickupSheet):  # type: ignore[misc] # `extra` is always there
    """The data sheet of a pickup."""


class Session(_Shown, SessionSheet):  # type: ignore[misc] # `extra` is always there
    """A session: takes recorded under one plan, and the conditions that they inherit."""

    conditions: Conditions


class WithoutSheet(BaseModel):
    """A key that takes name and that has no sheet."""

    key: str
    takes: int
    measured_takes: int


class _Page(BaseModel):
    model_config = ConfigDict(
        openapi_extra={"content": {MEDIA_TYPE: {}}}  # type: ignore[typeddict-unknown-key]
    )

    without_sheet: list[WithoutSheet] = Field(
        description=f"Keys that takes name and that have no sheet, most takes first, {MOST_WITHOUT_SHEET} at most; on "
        "the first page only"
    )
    next: str | None = Field(description="Cursor of the next page")


class PickupPage(_Page):
    """One page of pickups, in the order in which their sheets were made."""

    items: list[Pickup]


class SessionPage(_Page):
    """One page of sessions, in the order in which their sheets were made."""

    items: list[Session]


class Imported(BaseModel):
    """What an import did; a sheet that was already so counts as unchanged."""

    made: int
    changed: int
    unchanged: int
    measured_again: int = Field(description="Takes that are measured again because they inherit other settings")


def sheet_view(connection: Connection, kind: SheetKind, record: SheetRecord) -> dict[str, Any]:
    """A sheet as JSON values, every field present."""
    return _view(kind, record, takes.named(connection, kind.name, [record.key]).get(record.key, _NOBODY))


def page_view(connection: Connection, kind: SheetKind, limit: int, cursor: str | None) -> dict[str, Any]:
    """A page of sheets as JSON values."""
    page = kind.store.page(connection, limit, cursor)
    counts = takes.named(connection, kind.name, [record.key for record in page.items])
    return {
        "items": [_view(kind, record, counts.get(record.key, _NOBODY)) for record in page.items],
        "without_sheet": without_sheet(connection, kind) if cursor is None else [],
        "next": page.next,
    }


def without_sheet(connection: Connection, kind: SheetKind) -> list[dict[str, Any]]:
    """Keys that takes name and that have no sheet, as JSON values."""
    counts = takes.named(connection, kind.name)
    known = kind.store.by_key(connection, counts)
    bare = [(key, count) for key, count in counts.items() if key not in known]
    return [
        {"key": key, "takes": count.takes, "measured_takes": count.measured} for key, count in bare[:MOST_WITHOUT_SHEET]
    ]


def _view(kind: SheetKind, record: SheetRecord, count: Named) -> dict[str, Any]:
    sheet = {name: record.sheet.get(name) for name in fields_of(kind.model)}
    if "conditions" in sheet:
        sheet["conditions"] = sheet["conditions"] or {}
    path = kind.path(record.key)
    return {
        "key": record.key,
        **sheet,
        "extra": record.sheet.get("extra", {}),
        "takes": count.takes,
        "measured_takes": count.measured,
        "created": rfc3339(record.created),
        "updated": rfc3339(record.updated),
        "links": {"self": path, "takes": f"/v1/takes?{kind.name}={quote(record.key, safe='')}"},
    }
