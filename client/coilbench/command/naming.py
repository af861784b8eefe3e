"""What takes are called on the screen: so that two of them can be told apart, also when the column is narrow."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import PurePath

from coilbench.client import IDS_AT_ONCE, Client
from coilbench.table import Row

MARGIN = 6
"""Names that differ only in so many last characters of what is shown look alike to the eye."""


def names_of(rows: Sequence[Row]) -> list[str]:
    """A name for the take of each row: its label, else its file; with the file where several takes share a label.

    Parameters
    ----------
    rows : of one table
    """
    plain = [str(row.get("label") or row.get("file") or row.get("take") or "") for row in rows]
    takes: dict[str, set[str]] = {}
    for name, row in zip(plain, rows, strict=True):
        takes.setdefault(name, set()).add(str(row.get("take")))
    return [
        f"{name} ({_stem(row)})" if len(takes[name]) > 1 and row.get("label") and _stem(row) else name
        for name, row in zip(plain, rows, strict=True)
    ]


def names_of_takes(client: Client, ids: Iterable[str]) -> dict[str, str]:
    """Names of takes by their ids; an id that is no take's is not among them.

    Parameters
    ----------
    client : knows the takes
    ids : any
    """
    wanted = list(dict.fromkeys(id for id in ids if id))
    found = [
        take
        for start in range(0, len(wanted), IDS_AT_ONCE)
        for take in client.takes(id=wanted[start : start + IDS_AT_ONCE])
    ]
    rows = [{"take": one.id, "label": one.about.get("label"), "file": one.file_name} for one in found]
    return dict(zip((one.id for one in found), names_of(rows), strict=True))


def can_be_cut(names: Sequence[str], width: int) -> bool:
    """Whether names that are cut at a width are still told apart at a glance.

    Parameters
    ----------
    names : any
    width : characters
    """
    shown = {name if len(name) <= width else name[: max(0, width - MARGIN)] for name in names}
    return len(shown) == len(set(names))


def _stem(row: Row) -> str:
    return PurePath(str(row.get("file") or "")).stem
