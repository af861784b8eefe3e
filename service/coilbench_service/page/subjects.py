"""Pickups that can be asked about, and quantities to choose from, as the forms of questions list them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection

from coilbench_service.evidence import every_pickup
from coilbench_service.page.figures import GROUPS
from coilbench_worker.compare.columns import Column, columns
from coilbench_worker.store import takes


@dataclass(frozen=True)
class Offered:
    """What a form offers: pickups with measured takes, and sessions that takes name, each in the order of the keys."""

    pickups: tuple[str, ...]
    sessions: tuple[str, ...]


def offered(connection: Connection) -> Offered:
    """Pickups and sessions to choose from."""
    sessions = sorted(key for key, count in takes.named(connection, "session").items() if count.measured)
    return Offered(tuple(every_pickup(connection)), tuple(sessions))


def offered_with(known: Iterable[str], asked: Iterable[str | None]) -> list[str]:
    """What a form offers, and what is asked for though it is not among it."""
    return list(dict.fromkeys([*known, *(key for key in asked if key is not None)]))


def quantity_groups() -> list[tuple[str, list[Column]]]:
    """Single numbers by group, heading and columns; bands have pictures of their own."""
    single = [column for column in columns().values() if not column.quantity.parts]
    return [(title, [one for one in single if one.quantity.group == key]) for key, title in GROUPS.items()]
