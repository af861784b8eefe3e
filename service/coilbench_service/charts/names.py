"""What pickups and takes are called on a chart: short enough for it, and each told apart from all others."""

from __future__ import annotations

from collections.abc import Mapping

MOST = 28
"""Characters: what fits beside the panels and into a legend of two columns."""
CUT = "…"


def shown_names(names: Mapping[str, str], most: int = MOST) -> dict[str, str]:
    """A name to be drawn for each key: as it is, or cut in its middle; numbered where two are alike.

    Parameters
    ----------
    names : of the subjects by key
    most : characters of one that stands alone; a number comes on top
    """
    cut = {key: _cut(_drawable(name) or _numbered(name or key), most) for key, name in names.items()}
    taken = list(cut.values())
    found: dict[str, str] = {}
    for key, name in cut.items():
        number = 1
        shown = name
        while shown in found.values() or (number > 1 and shown in taken):
            number += 1
            shown = f"{name} ({number})"
        found[key] = shown
    return found


def _drawable(name: str) -> str:
    """The name in one line, without signs that no drawing can hold."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in name).split())


def _numbered(name: str) -> str:
    """The signs of a name that has none to be seen, by their Unicode numbers."""
    return " ".join(f"U+{ord(sign):04X}" for sign in name)


def _cut(name: str, most: int) -> str:
    if len(name) <= most:
        return name
    head = (most - len(CUT) + 1) // 2
    return f"{name[:head].rstrip()}{CUT}{name[len(name) - (most - len(CUT) - head) :].lstrip()}"
