"""Lists of sheets, of pickups and of sessions alike: with their takes counted, keys without a sheet, one made anew."""

from __future__ import annotations

from typing import Any

from flask import Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection

from coilbench_service.bench import Bench
from coilbench_service.page.layout import show
from coilbench_service.page.takes import rows_of
from coilbench_service.problems import Problem
from coilbench_service.selection import ID_PATTERN
from coilbench_service.sheet_kind import SheetKind
from coilbench_service.sheet_view import page_view, sheet_view
from coilbench_worker.store import takes
from coilbench_worker.store.takes import Named, TakeFilter

ON_A_PAGE = 100
TAKES_SHOWN = 30


class SheetsQuery(BaseModel):
    """Which page of the list."""

    model_config = ConfigDict(extra="forbid")

    cursor: str | None = Field(None, description="`next` of the page before", pattern=ID_PATTERN)


def show_list(bench: Bench, kind: SheetKind, query: SheetsQuery, **more: Any) -> Response:
    """The list of a kind of sheets, by its own template; `more` is for the template too."""
    with bench.database.read() as connection:
        page = page_view(connection, kind, ON_A_PAGE, query.cursor)
        total = kind.store.count(connection)
    return show(
        f"{kind.plural}.html",
        here=f"page.{kind.plural}",
        sheets=page["items"],
        bare=page["without_sheet"],
        next=page["next"],
        later=query.cursor is not None,
        total=total,
        **more,
    )


def found(connection: Connection, kind: SheetKind, key: str) -> tuple[dict[str, object] | None, Named]:
    """The sheet of a key as the API shows it, None where it has none, and how many takes name it.

    Raises
    ------
    Problem : pickup-unknown or session-unknown, where there is neither
    """
    if not key.isprintable():
        raise _no_such(kind, key)
    record = kind.store.get(connection, key)
    counted = takes.named(connection, kind.name, [key]).get(key, Named(0, 0))
    if record is None and not counted.takes:
        raise _no_such(kind, key)
    return None if record is None else sheet_view(connection, kind, record), counted


def newest(connection: Connection, kind: SheetKind, key: str) -> list[dict[str, object]]:
    """Its newest takes with their measurements, as the list of recordings has them."""
    chosen = TakeFilter(pickup=key) if kind.name == "pickup" else TakeFilter(session=key)
    return rows_of(connection, takes.page(connection, chosen, TAKES_SHOWN, newest_first=True).items)


def _no_such(kind: SheetKind, key: str) -> Problem:
    problem = kind.no_such(key)
    problem.advice = f"Look for it among all {kind.plural}, or make its sheet there."
    return problem
