"""What a take is taken to be: its own description, and for what that leaves out its session, its pickup, its chain.

The order is chain < pickup < session < take. A session states any field of its conditions (the chain too), a pickup's
sheet its position, guitar and battery, a chain its cable and a gain that never changes. Sheets may come after the takes
that name them and go before them: a key without a sheet passes nothing on. `extra` is looked at name by name. There is
no way for a take to say that what it would inherit does not hold and nothing else does: it states another value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from coilbench_service.about import FIELDS
from coilbench_worker.store import chains, pickups, sessions

FROM_PICKUP = ("position", "guitar", "battery_v")
"""Fields of a pickup's sheet that its takes inherit."""


@dataclass(frozen=True)
class Described:
    """The description that holds for a take.

    Attributes
    ----------
    about : the take's own fields and the inherited ones, in the order of `about`; nothing in it is null
    inherited : where each field comes from that the take does not state itself: session, pickup or chain; a field
        under `extra` as `extra.NAME`
    """

    about: dict[str, Any]
    inherited: dict[str, str]


class Inheritance:
    """What takes inherit, all by one state of the sheets: read once, when first asked for, in three queries.

    Parameters
    ----------
    connection : of `Database.read()` or `write()`; must stay open until the last take was asked for
    only : descriptions of the takes that will be asked for, so that no other sheets are read; None: any take
    """

    def __init__(self, connection: Connection, only: Iterable[Mapping[str, Any]] | None = None) -> None:
        self._connection = connection
        self._only = None if only is None else list(only)
        self._sessions: dict[str, Mapping[str, Any]] | None = None
        self._pickups: dict[str, Mapping[str, Any]] | None = None
        self._chains: dict[str, Mapping[str, Any]] | None = None

    def of(self, about: Mapping[str, Any]) -> Described:
        """The description that holds for a take that describes itself so."""
        conditions = self._conditions(about.get("session"))
        sheet = self._sheet(about.get("pickup"))
        chain = self._chain(about.get("chain") or conditions.get("chain"))
        return described(about, conditions, sheet, chain)

    def about(self, about: Mapping[str, Any]) -> dict[str, Any]:
        """The same, without where it comes from."""
        return self.of(about).about

    def _conditions(self, key: str | None) -> Mapping[str, Any]:
        if key is None:
            return {}
        if self._sessions is None:
            found = sessions.by_key(self._connection, self._keys("session"))
            self._sessions = {name: record.sheet.get("conditions", {}) for name, record in found.items()}
        return self._sessions.get(key, {})

    def _sheet(self, key: str | None) -> Mapping[str, Any]:
        if key is None:
            return {}
        if self._pickups is None:
            found = pickups.by_key(self._connection, self._keys("pickup"))
            self._pickups = {name: record.sheet for name, record in found.items()}
        return self._pickups.get(key, {})

    def _chain(self, key: str | None) -> Mapping[str, Any]:
        if key is None:
            return {}
        if self._chains is None:
            self._chains = dict(chains.inherited(self._connection, self._chain_keys()))
        return self._chains.get(key, {})

    def _keys(self, field: str) -> set[str] | None:
        return None if self._only is None else {about[field] for about in self._only if about.get(field) is not None}

    def _chain_keys(self) -> set[str] | None:
        """Those of the takes, and of their sessions where a take names none."""
        if self._only is None:
            return None
        keys = (about.get("chain") or self._conditions(about.get("session")).get("chain") for about in self._only)
        return {key for key in keys if key is not None}


def described(
    about: Mapping[str, Any], conditions: Mapping[str, Any], sheet: Mapping[str, Any], chain: Mapping[str, Any]
) -> Described:
    """Lay the take over its session over its pickup over its chain.

    Parameters
    ----------
    about : the take's own description
    conditions : of its session
    sheet : of its pickup
    chain : fields that its chain states (`chains.inherited`)
    """
    from_pickup = {name: sheet[name] for name in FROM_PICKUP if sheet.get(name) is not None}
    found: dict[str, Any] = {}
    inherited: dict[str, str] = {}
    for source, fields in (("chain", chain), ("pickup", from_pickup), ("session", conditions)):
        stated = {name: value for name, value in fields.items() if name != "extra"}
        found |= stated
        inherited |= dict.fromkeys(stated, source)
    extra = dict(conditions.get("extra") or {})
    own_extra = about.get("extra") or {}
    inherited |= {f"extra.{name}": "session" for name in extra if name not in own_extra}
    found |= {name: value for name, value in about.items() if name != "extra"}
    if extra or own_extra:
        found["extra"] = extra | own_extra
    ordered = {name: found[name] for name in FIELDS if name in found}
    return Described(ordered, {name: source for name, source in inherited.items() if name not in about})
