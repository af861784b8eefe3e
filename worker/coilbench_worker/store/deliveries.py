"""What is to be sent to call-backs: an outbox, filled in the transaction that ends a take.

A sender claims with one guarded UPDATE that raises `attempt`, as jobs are claimed; what it has to say of the try counts
only at that attempt. A claimed delivery is due again when its lease runs out, so a sender that dies loses nothing. The
call-back rests meanwhile: one thing at a time is sent to an address, however many senders there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    and_,
    delete,
    exists,
    func,
    insert,
    literal,
    or_,
    select,
    update,
)

from coilbench_worker.store import clock
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import UtcDateTime
from coilbench_worker.store.schema import callbacks, deliveries, takes
from coilbench_worker.store.text import storable

TRIAL = "callback.test"
LONGEST_REST_S = 300.0
"""A rest that ends later than twice this was set by a clock that was wrong, and doesn't count."""


@dataclass(frozen=True)
class HeldDelivery:
    """The right to send one delivery once; `attempt` is the fence that what came of it must pass."""

    id: str
    callback_id: str
    url: str
    secret: str
    body: dict[str, Any]
    attempt: int


@dataclass(frozen=True)
class DeliveryRecord:
    """One delivery as stored; `take_id` is None of a trial, `status` that of the last answer."""

    id: str
    take_id: str | None
    body: dict[str, Any]
    created: datetime
    due: datetime | None
    attempt: int
    ended: datetime | None
    status: int | None
    outcome: str | None


@dataclass(frozen=True)
class DeliveryPage:
    """Deliveries, the newest first; `next` is the cursor of the page after, None on the last."""

    items: list[DeliveryRecord]
    next: str | None


def enter(
    connection: Connection, take_id: str, state: str, problem: Mapping[str, Any] | None, instant: datetime
) -> int:
    """Enter what every call-back that wants to know is to be told of a take's end; returns how many those are.

    To be called in the transaction that ends the take: both are kept, or neither.
    """
    # Shared locks, so that none is deleted before its delivery is there, and takes end side by side.
    wanting = select(callbacks.c.id, callbacks.c.states, callbacks.c.session).where(callbacks.c.stopped.is_(None))
    found = connection.execute(wanting.with_for_update(read=True, key_share=True)).all()
    if not found:
        return 0
    about = select(takes.c.label, takes.c.session, takes.c.pickup).where(takes.c.id == take_id)
    take = connection.execute(about).one()
    chosen = [one for one in found if state in one.states.split() and one.session in (None, take.session)]
    if not chosen:
        return 0
    path = f"/v1/takes/{take_id}"
    said = {
        "id": take_id,
        "state": state,
        "label": take.label,
        "session": take.session,
        "pickup": take.pickup,
        "problem": None if problem is None else dict(problem),
        "links": {"self": path, "measurement": f"{path}/measurement"},
    }
    body = _message(f"take.{state}", instant, {"take": said})
    rows = [_row(one.id, take_id, body, instant) for one in chosen]
    connection.execute(insert(deliveries), rows)
    return len(rows)


def enter_trial(connection: Connection, callback_id: str, *, apart_s: float) -> DeliveryRecord | None:
    """Enter one trial message; None where the last one is less than `apart_s` old.

    The caller has locked the call-back.
    """
    instant = clock.now(connection)
    lately = exists().where(
        deliveries.c.callback_id == callback_id,
        deliveries.c.take_id.is_(None),
        deliveries.c.created > instant - timedelta(seconds=apart_s),
    )
    if connection.execute(select(lately)).scalar_one():
        return None
    row = _row(callback_id, None, _message(TRIAL, instant, {"callback": {"id": callback_id}}), instant)
    connection.execute(insert(deliveries).values(**row))
    return page(connection, callback_id, 1).items[0]


def claim(database: Database, *, lease_s: float) -> HeldDelivery | None:
    """Take what is to be sent next, one address after another; None when there is nothing."""
    with database.read() as connection:  # mostly there is nothing, and nobody need be kept from writing
        if connection.execute(_awake(clock.now(connection))).first() is None:
            return None
    with database.write() as connection:
        instant = clock.now(connection)
        callback = connection.execute(_awake(instant).with_for_update(skip_locked=True, key_share=True)).one_or_none()
        if callback is None:
            return None
        first = (
            select(deliveries.c.id, deliveries.c.body, deliveries.c.attempt)
            .where(deliveries.c.callback_id == callback.id, _due(instant))
            .order_by(deliveries.c.due, deliveries.c.id)
            .limit(1)
        )
        row = connection.execute(first).one_or_none()
        if row is None:
            return None
        until = instant + timedelta(seconds=lease_s)
        held = HeldDelivery(row.id, callback.id, callback.url, callback.secret, row.body, row.attempt + 1)
        taken = connection.execute(
            update(deliveries)
            .where(deliveries.c.id == row.id, deliveries.c.attempt == row.attempt, deliveries.c.ended.is_(None))
            .values(attempt=held.attempt, due=until, lease_until=until)
        )
        if taken.rowcount != 1:
            return None
        connection.execute(update(callbacks).where(callbacks.c.id == callback.id).values(rests_until=until))
    return held


def delivered(connection: Connection, held: HeldDelivery, *, status: int, outcome: str) -> bool:
    """Note that it arrived; False, and nothing is changed, when the claim no longer holds."""
    _lock_callback(connection, held)
    instant = clock.now(connection)
    if not _note(connection, held, status=status, outcome=outcome, ended=instant, due=None):
        return False
    connection.execute(
        update(callbacks)
        .where(callbacks.c.id == held.callback_id)
        .values(failures=0, failing_since=None, rests_until=instant)
    )
    return True


def failed(
    connection: Connection, held: HeldDelivery, *, status: int | None, outcome: str, again_after_s: float | None
) -> bool:
    """Note that it did not arrive; False, and nothing is changed, when the claim no longer holds.

    The call-back rests until the lease runs out; `rest` says otherwise.

    Parameters
    ----------
    status : of the answer; None where there was none
    again_after_s : when to try again; None: never
    """
    _lock_callback(connection, held)
    instant = clock.now(connection)
    if again_after_s is None:
        when: dict[str, datetime | None] = {"ended": instant, "due": None}
    else:
        when = {"due": instant + timedelta(seconds=again_after_s)}
    if not _note(connection, held, status=status, outcome=outcome, **when):
        return False
    connection.execute(
        update(callbacks)
        .where(callbacks.c.id == held.callback_id)
        .values(
            failures=callbacks.c.failures + 1,
            failing_since=func.coalesce(callbacks.c.failing_since, literal(instant, UtcDateTime)),
        )
    )
    return True


def rest(connection: Connection, callback_id: str, for_s: float) -> None:
    """Send nothing to the call-back for so long, `LONGEST_REST_S` at most."""
    until = clock.now(connection) + timedelta(seconds=min(for_s, LONGEST_REST_S))
    connection.execute(update(callbacks).where(callbacks.c.id == callback_id).values(rests_until=until))


def page(connection: Connection, callback_id: str, limit: int, cursor: str | None = None) -> DeliveryPage:
    """Up to `limit` deliveries of a call-back after `cursor` (a `DeliveryPage.next`), the newest first."""
    wanted = [column for column in deliveries.c if column.name not in ("callback_id", "lease_until")]
    query = select(*wanted).where(deliveries.c.callback_id == callback_id)
    query = query.order_by(deliveries.c.id.desc()).limit(limit + 1)
    if cursor is not None:
        query = query.where(deliveries.c.id < storable(cursor))
    found = [DeliveryRecord(**row._mapping) for row in connection.execute(query)]
    more = len(found) > limit
    found = found[:limit]
    return DeliveryPage(found, found[-1].id if more else None)


def forget_before(connection: Connection, instant: datetime) -> int:
    """Delete what ended before that instant; returns how many those were."""
    return connection.execute(delete(deliveries).where(deliveries.c.ended < instant)).rowcount


def _awake(instant: datetime) -> Select[Any]:
    """The call-back whose turn it is: something is due, it neither stands still nor rests, and had the longest rest."""
    return (
        select(callbacks.c.id, callbacks.c.url, callbacks.c.secret)
        .where(
            callbacks.c.stopped.is_(None),
            exists().where(deliveries.c.callback_id == callbacks.c.id, _due(instant)),
            or_(
                callbacks.c.rests_until.is_(None),
                callbacks.c.rests_until == instant,
                clock.run_out(callbacks.c.rests_until, instant, LONGEST_REST_S),
            ),
        )
        .order_by(callbacks.c.rests_until.is_not(None), callbacks.c.rests_until, callbacks.c.id)
        .limit(1)
    )


def _due(instant: datetime) -> ColumnElement[bool]:
    """What was never tried is due whatever the clock says. What is over has no `due`: the index passes over it."""
    waits = and_(deliveries.c.due.is_not(None), deliveries.c.ended.is_(None))
    return and_(waits, or_(deliveries.c.due <= instant, deliveries.c.attempt == 0))


def _lock_callback(connection: Connection, held: HeldDelivery) -> None:
    connection.execute(select(callbacks.c.id).where(callbacks.c.id == held.callback_id).with_for_update(key_share=True))


def _note(connection: Connection, held: HeldDelivery, **values: Any) -> bool:
    mine = and_(deliveries.c.id == held.id, deliveries.c.attempt == held.attempt, deliveries.c.lease_until.is_not(None))
    noted = connection.execute(update(deliveries).where(mine).values(lease_until=None, **values))
    return noted.rowcount == 1


def _row(callback_id: str, take_id: str | None, body: Mapping[str, Any], instant: datetime) -> dict[str, Any]:
    return {
        "id": new_id(),
        "callback_id": callback_id,
        "take_id": take_id,
        "body": dict(body),
        "created": instant,
        "due": instant,
        "attempt": 0,
    }


def _message(kind: str, instant: datetime, data: Mapping[str, Any]) -> dict[str, Any]:
    moment = instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return {"type": kind, "timestamp": moment, "data": dict(data)}
