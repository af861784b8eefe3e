"""Which pickup the others of a session are held against where nobody says: the sheet's reference, else the one with the
most takes that count, of several the first by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coilbench_service.writing import counted

REFERENCE = "reference"
"""Field of a session's sheet that names it."""


@dataclass(frozen=True)
class Baseline:
    """A pickup by its key; `why`: how it was chosen, one sentence, None where it was asked for."""

    key: str
    why: str | None


def chosen_baseline(sheet: Mapping[str, Any] | None, counting: Mapping[str, int]) -> Baseline | None:
    """Choose one.

    Parameters
    ----------
    sheet : the session's, as the API shows it
    counting : takes that count, by pickup, those that have one

    Returns
    -------
    Baseline, or None where no pickup has a take that counts
    """
    if not counting:
        return None
    said = field_of(sheet, REFERENCE)
    if isinstance(said, str) and said in counting:
        return Baseline(said, f"{said} is the reference that the session's sheet names.")
    most = max(counting.values())
    first, *others = sorted(key for key, takes in counting.items() if takes == most)
    if len(counting) == 1:
        return Baseline(first, f"{first} is the only pickup with a take that counts.")
    how = (
        f"has the most takes that count ({most})"
        if not others
        else f"is the first by name of those with {counted(most, 'take')}"
    )
    unfit = f" The sheet's reference, {said}, has no take here that counts." if isinstance(said, str) else ""
    asked = "No pickup was named to hold the others against; "
    return Baseline(first, f"{asked}{first} was chosen, which {how}.{unfit}")


def field_of(sheet: Mapping[str, Any] | None, name: str) -> Any:
    """A field of a session's sheet that may be one of the tester's own."""
    if sheet is None:
        return None
    return sheet.get(name) or (sheet.get("extra") or {}).get(name)
