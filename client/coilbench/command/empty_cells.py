"""Why cells of the table on the screen are empty: a few lines beneath it, equal reasons together."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rich.console import Console
from rich.text import Text

from coilbench.table import Row

MOST_REASONS = 6
"""Lines beneath a table; the saved table has every reason in its column `reasons`."""

TAKES_NAMED = 3
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@dataclass
class _Group:
    """Cells that are empty for one reason: an example of its wording, columns and takes in order, how many cells."""

    why: str
    columns: dict[str, None] = field(default_factory=dict)
    takes: dict[str, None] = field(default_factory=dict)
    cells: int = 0


def show_why_empty(
    rows: Sequence[Row], names: Sequence[str], empty: Mapping[str, Sequence[bool]], console: Console
) -> None:
    """Print why cells are empty; nothing when none is, or none says why.

    Parameters
    ----------
    rows : with their `reasons` by column
    names : of the take of each row
    empty : by column shown, for each row whether its cell is empty
    console : where to
    """
    groups = sorted(_groups(rows, names, empty), key=lambda group: -group.cells)
    for group in groups[:MOST_REASONS]:
        takes = list(group.takes)
        where = ", ".join(takes[:TAKES_NAMED])
        if len(takes) > TAKES_NAMED:
            where += f" and {len(takes) - TAKES_NAMED} more"
        console.print(Text(f"empty  {', '.join(group.columns)}: {group.why} ({where})", style="dim"))
    if len(groups) > MOST_REASONS:
        rest = f"and {len(groups) - MOST_REASONS} more reasons; -o NAME.csv saves all, in the column reasons"
        console.print(Text(rest, style="dim"))


def _groups(rows: Sequence[Row], names: Sequence[str], empty: Mapping[str, Sequence[bool]]) -> list[_Group]:
    """Reasons that differ in their numbers alone are one."""
    groups: dict[str, _Group] = {}
    for column, place in _empty_cells(empty):
        why = _reason(rows[place], column)
        if why is None:
            continue
        group = groups.setdefault(_NUMBER.sub("#", why), _Group(why))
        group.columns[column] = None
        group.takes[names[place]] = None
        group.cells += 1
    return list(groups.values())


def _empty_cells(empty: Mapping[str, Sequence[bool]]) -> Iterator[tuple[str, int]]:
    for column, of_rows in empty.items():
        for place, is_empty in enumerate(of_rows):
            if is_empty:
                yield column, place


def _reason(row: Row, column: str) -> str | None:
    """The reason of a column, or of the vector it is a part of."""
    reasons = row.get("reasons")
    if not isinstance(reasons, Mapping):
        return None
    found = reasons.get(column) or next((why for key, why in reasons.items() if column.startswith(f"{key}_")), None)
    return None if found is None else str(found)
