"""Takes as they are read: one, a page, all of a filter; and their description."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, ScalarSelect, Select, and_, case, func, or_, select, update
from sqlalchemy import delete as delete_from

from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import files, idempotency, jobs, measurements, sessions, takes
from coilbench_worker.store.states import MEASURED, TAKE_STATES
from coilbench_worker.store.text import storable

PAGE_OF_EACH = 200


@dataclass(frozen=True)
class TakeRecord:
    """One take as stored. `blob` is the key of its recording; `job_id` the job whose result counts."""

    id: str
    created: datetime
    updated: datetime
    state: str
    file_name: str
    bytes: int
    sha256: str
    blob: str
    about: dict[str, Any]
    settings: dict[str, Any]
    settings_key: str
    problem: dict[str, Any] | None
    job_id: str | None


@dataclass(frozen=True)
class TakeFilter:
    """Which takes; fields left alone hold for all. `since`: aware, created then or later. `chain`: the take names it,
    or names none and its session does.
    """

    state: tuple[str, ...] = ()
    session: str | None = None
    pickup: str | None = None
    chain: str | None = None
    sha256: str | None = None
    since: datetime | None = None
    id: tuple[str, ...] = ()


@dataclass(frozen=True)
class Page:
    """Takes in the order of arrival; `next` is the cursor of the page after, None on the last."""

    items: list[TakeRecord]
    next: str | None


@dataclass(frozen=True)
class Named:
    """How many takes name a key, and how many of them are measured."""

    takes: int
    measured: int


def get(connection: Connection, take_id: str) -> TakeRecord | None:
    """The take, or None when there is none of that id."""
    row = connection.execute(_takes().where(takes.c.id == take_id)).one_or_none()
    return None if row is None else _record(row)


def state(connection: Connection, take_id: str) -> str | None:
    """The state of the take alone, or None when there is none of that id."""
    found: str | None = connection.execute(select(takes.c.state).where(takes.c.id == take_id)).scalar_one_or_none()
    return found


def page(
    connection: Connection,
    chosen: TakeFilter,
    limit: int,
    cursor: str | None = None,
    *,
    newest_first: bool = False,
) -> Page:
    """Up to `limit` takes after `cursor` (a `Page.next` of the same order), in the order of arrival or against it."""
    query = _filtered(_takes(), chosen).limit(limit + 1)
    query = query.order_by(takes.c.id.desc() if newest_first else takes.c.id)
    if cursor is not None:
        last = storable(cursor)
        query = query.where(takes.c.id < last if newest_first else takes.c.id > last)
    found = [_record(row) for row in connection.execute(query)]
    more = len(found) > limit
    found = found[:limit]
    return Page(found, found[-1].id if more else None)


def each(connection: Connection, chosen: TakeFilter) -> Iterator[TakeRecord]:
    """All takes of the filter in the order of arrival, read by pages: memory does not grow with their number."""
    cursor = None
    while True:
        part = page(connection, chosen, PAGE_OF_EACH, cursor)
        yield from part.items
        if part.next is None:
            return
        cursor = part.next


def count(connection: Connection, chosen: TakeFilter) -> int:
    """How many takes the filter lets through."""
    return int(connection.execute(_filtered(select(func.count()).select_from(takes), chosen)).scalar_one())


def count_in(connection: Connection, state: str, at_most: int) -> int:
    """How many takes stand in the state, counted no further than `at_most`: as quick in a long queue as in a short."""
    some = select(takes.c.id).where(takes.c.state == state).limit(at_most).subquery()
    return int(connection.execute(select(func.count()).select_from(some)).scalar_one())


def counts(connection: Connection) -> dict[str, int]:
    """How many takes stand in each state; states without a take are there with 0."""
    found = connection.execute(select(takes.c.state, func.count()).group_by(takes.c.state))
    return dict.fromkeys(TAKE_STATES, 0) | {state: int(number) for state, number in found}


def named(connection: Connection, by: str, keys: Collection[str] | None = None) -> dict[str, Named]:
    """How many takes name each key, most first; keys that no take names are not there.

    Parameters
    ----------
    by : `pickup` or `session`
    keys : to look for; None: all that takes name
    """
    column = {"pickup": takes.c.pickup, "session": takes.c.session}[by]
    measured = func.sum(case((takes.c.state == MEASURED, 1), else_=0))
    query = select(column, func.count(), measured).where(column.is_not(None)).group_by(column)
    if keys is not None:
        query = query.where(column.in_([storable(key) for key in keys]))
    query = query.order_by(func.count().desc(), column)
    return {key: Named(int(takes), int(measured)) for key, takes, measured in connection.execute(query)}


def keys_in_use(connection: Connection, by: str, limit: int) -> list[str]:
    """The first `limit` keys in their own order that takes name, by `pickup` or `session`."""
    column = {"pickup": takes.c.pickup, "session": takes.c.session}[by]
    query = select(column).where(column.is_not(None)).distinct().order_by(column).limit(limit)
    return list(connection.execute(query).scalars())


def pickups_of(connection: Connection, chosen: TakeFilter) -> dict[str | None, int]:
    """How many takes of the filter name each pickup; under None those that name none."""
    query = _filtered(select(takes.c.pickup, func.count()).select_from(takes), chosen).group_by(takes.c.pickup)
    return {pickup: int(number) for pickup, number in connection.execute(query)}


def update_about(connection: Connection, take_id: str, about: Mapping[str, Any]) -> TakeRecord | None:
    """Put `about` in the place of the old description; None when there is no such take. Measures nothing."""
    connection.execute(
        update(takes).where(takes.c.id == take_id).values(about=dict(about), updated=now(), **copies(about))
    )
    return get(connection, take_id)


def delete(connection: Connection, take_id: str) -> bool:
    """Delete the take's rows, its jobs, measurements and remembered answers; False when there is no such take.

    The recording stays until `store.files.drop_unused` finds that nothing uses it; `jobs.remove` does both.
    """
    connection.execute(select(takes.c.id).where(takes.c.id == take_id).with_for_update())
    connection.execute(delete_from(jobs).where(jobs.c.take_id == take_id))
    connection.execute(delete_from(measurements).where(measurements.c.take_id == take_id))
    connection.execute(delete_from(idempotency).where(idempotency.c.take_id == take_id))
    return connection.execute(delete_from(takes).where(takes.c.id == take_id)).rowcount == 1


def copies(about: Mapping[str, Any]) -> dict[str, str | None]:
    """The parts of a description that are columns of their own, for filtering."""
    return {
        key: storable(value) if isinstance(value := about.get(key), str) else None
        for key in ("label", "session", "pickup")
    }


def _takes() -> Select[Any]:
    return select(
        takes.c.id,
        takes.c.created,
        takes.c.updated,
        takes.c.state,
        takes.c.file_name,
        files.c.bytes,
        files.c.sha256,
        files.c.blob,
        takes.c.about,
        takes.c.settings,
        takes.c.settings_key,
        takes.c.problem,
        takes.c.job_id,
    ).join(files, files.c.sha256 == takes.c.file_sha256)


def _record(row: Row[Any]) -> TakeRecord:
    return TakeRecord(**row._mapping)


def _first_since(instant: datetime) -> ScalarSelect[str]:
    """The least id of the takes created then or later, by one index: pages are in the order of ids and start there."""
    other = takes.alias()
    return select(func.min(other.c.id)).where(other.c.created >= instant).scalar_subquery()


def _filtered(query: Select[Any], chosen: TakeFilter) -> Select[Any]:
    if chosen.state:
        query = query.where(takes.c.state.in_(chosen.state))
    if chosen.id:
        query = query.where(takes.c.id.in_(chosen.id))
    if chosen.session is not None:
        query = query.where(takes.c.session == storable(chosen.session))
    if chosen.pickup is not None:
        query = query.where(takes.c.pickup == storable(chosen.pickup))
    if chosen.chain is not None:
        own = takes.c.about["chain"].as_string()
        theirs = sessions.c.sheet[("conditions", "chain")].as_string() == storable(chosen.chain)
        inherited = and_(own.is_(None), takes.c.session.in_(select(sessions.c.key).where(theirs)))
        query = query.where(or_(own == storable(chosen.chain), inherited))
    if chosen.sha256 is not None:
        query = query.where(takes.c.file_sha256 == storable(chosen.sha256))
    if chosen.since is not None:
        query = query.where(takes.c.created >= chosen.since, takes.c.id >= _first_since(chosen.since))
    return query
