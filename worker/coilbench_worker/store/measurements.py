"""Measurements as they are read: the one that counts for a take, and those of many takes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, select

from coilbench_worker.store.schema import measurements, takes
from coilbench_worker.store.takes import TakeFilter, TakeRecord, page

PAGE_OF_DOCUMENTS = 50


@dataclass(frozen=True)
class MeasurementRecord:
    """One measurement as stored; `document` is the JSON of the API without `take` and `made`."""

    take_id: str
    settings_key: str
    version: str
    made: datetime
    document: dict[str, Any]


def current(connection: Connection, take_id: str) -> MeasurementRecord | None:
    """The newest measurement made with the take's present settings, or None."""
    return _current_of(connection, [take_id]).get(take_id)


def traces(connection: Connection, take_id: str) -> dict[str, Any] | None:
    """What the pictures of the take's current measurement are drawn from; None where it was made before there were any.

    Their JSON is that of `measure.traces`.
    """
    query = (
        select(measurements.c.traces)
        .join(takes, and_(takes.c.id == measurements.c.take_id, takes.c.settings_key == measurements.c.settings_key))
        .where(measurements.c.take_id == take_id)
        .order_by(measurements.c.made.desc(), measurements.c.id.desc())
        .limit(1)
    )
    found: dict[str, Any] | None = connection.execute(query).scalar_one_or_none()
    return found


def each_with_take(connection: Connection, chosen: TakeFilter) -> Iterator[tuple[TakeRecord, MeasurementRecord | None]]:
    """Takes of the filter with their current measurement, in the order of arrival, read by pages."""
    cursor = None
    while True:
        part = page(connection, chosen, PAGE_OF_DOCUMENTS, cursor)
        found = _current_of(connection, [take.id for take in part.items])
        for take in part.items:
            yield take, found.get(take.id)
        if part.next is None:
            return
        cursor = part.next


def _current_of(connection: Connection, take_ids: Iterable[str]) -> dict[str, MeasurementRecord]:
    query = (
        select(
            measurements.c.take_id,
            measurements.c.settings_key,
            measurements.c.version,
            measurements.c.made,
            measurements.c.document,
        )
        .join(takes, and_(takes.c.id == measurements.c.take_id, takes.c.settings_key == measurements.c.settings_key))
        .where(measurements.c.take_id.in_(list(take_ids)))
        .order_by(measurements.c.made, measurements.c.id)
    )
    return {row.take_id: MeasurementRecord(**row._mapping) for row in connection.execute(query)}
