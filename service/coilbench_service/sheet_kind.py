"""The two kinds of data sheets, of pickups and of sessions, and what differs between them."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import Problem
from coilbench_service.sheet import PickupSheet, SessionSheet
from coilbench_worker.store.pickups import PICKUPS
from coilbench_worker.store.sessions import SESSIONS
from coilbench_worker.store.sheets import Sheets


@dataclass(frozen=True)
class SheetKind:
    """One kind of sheet.

    Attributes
    ----------
    name, plural : as people and addresses say; `name` is the field by which takes name it
    model : its fields
    store : where they are kept
    exists, unknown : the problems of its keys
    """

    name: str
    plural: str
    model: type[PickupSheet] | type[SessionSheet]
    store: Sheets
    exists: ProblemKind
    unknown: ProblemKind

    def path(self, key: str) -> str:
        """Address of a sheet."""
        return f"/v1/{self.plural}/{quote(key, safe='')}"

    def no_such(self, key: str) -> Problem:
        """The problem for a key that has no sheet."""
        return Problem(self.unknown, f"There is no sheet of a {self.name} {key!r:.200}.")


PICKUP = SheetKind("pickup", "pickups", PickupSheet, PICKUPS, kinds.PICKUP_EXISTS, kinds.PICKUP_UNKNOWN)
SESSION = SheetKind("session", "sessions", SessionSheet, SESSIONS, kinds.SESSION_EXISTS, kinds.SESSION_UNKNOWN)
