"""The clock that leases, announcements and reports go by: the database's, the only one that all hosts share.

A host whose own clock is wrong takes no job from others that way. The database's clock may jump as well; so whoever
compares with it takes an instant that lies further ahead than the program ever sets one for past: a clock set back then
holds nothing up for the length of the jump, and one that is early costs a second try at most.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, func, or_, select

from coilbench_worker.store import instants

PLAUSIBLE = 2
"""Lengths of a lease that one may lie ahead: workers whose `lease_s` differ by less leave each other's jobs alone."""


def now(connection: Connection) -> datetime:
    """The instant by the database's clock, at the call and not at the begin of the transaction; aware, UTC.

    SQLite has no clock but that of this machine, which everybody who uses the file shares.
    """
    if connection.dialect.name != "postgresql":
        return instants.now()
    instant: datetime = connection.execute(select(func.clock_timestamp(type_=instants.UtcDateTime))).scalar_one()
    return instant


def run_out(until: ColumnElement[datetime], instant: datetime, length_s: float) -> ColumnElement[bool]:
    """Whether what holds until an instant, for `length_s` at a time, holds no longer, or can't have been set so."""
    return or_(until < instant, until > instant + timedelta(seconds=PLAUSIBLE * length_s))


def past(at: ColumnElement[datetime], instant: datetime, age_s: float) -> ColumnElement[bool]:
    """Whether an event is older than `age_s`, or lies that far ahead, where no event can be."""
    age = timedelta(seconds=age_s)
    return or_(at < instant - age, at > instant + age)
