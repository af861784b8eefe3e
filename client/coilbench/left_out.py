"""What does not take part in an answer, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from coilbench.answer import table_of_rows
from coilbench.table import Column, Table

COLUMNS = (Column("take", "Take"), Column("subject", "Pickup or take"), Column("reason", "Why"))


@dataclass(frozen=True)
class LeftOut:
    """A take that does not take part, the subject it belongs to, and why."""

    take: str
    subject: str
    reason: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> LeftOut:
        """Read an entry; KeyError when it is none."""
        return cls(str(document.get("take") or ""), str(document.get("subject") or ""), str(document["reason"]))

    def named(self, names: Mapping[str, str]) -> LeftOut:
        """The same with the take's name in place of its id.

        Parameters
        ----------
        names : by id
        """
        return replace(self, take=names.get(self.take, self.take), subject=names.get(self.subject, self.subject))


def table_of_left_out(takes: Iterable[LeftOut]) -> Table:
    """What was left out, as a table.

    Parameters
    ----------
    takes : with the subjects they belong to, and reasons
    """
    return table_of_rows([vars(one) for one in takes], COLUMNS)
