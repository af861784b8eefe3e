"""Axes that several charts share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from coilbench_service.charts.theme import PLAIN_NUMBER

STEP_DB = 10.0
"""Between the levels at which an axis may end."""


def level_domain(levels_db: Iterable[float | None], depth_db: float) -> tuple[float, float]:
    """Where a level axis begins and ends, dB: tens around what is there, no deeper than that below the greatest.

    Parameters
    ----------
    levels_db : None for what is not there
    depth_db : > 0
    """
    known = [level for level in levels_db if level is not None]
    if not known:
        return -depth_db, 0.0
    top = STEP_DB * -(-max(known) // STEP_DB)
    bottom = STEP_DB * (min(known) // STEP_DB)
    return max(bottom, top - depth_db), top


def time_axis(domain: Sequence[float], title: str | None = "Time (s)") -> dict[str, Any]:
    """The x channel of `s`: plain numbers in seconds. A title of None leaves the whole axis away."""
    axis = None if title is None else {"format": PLAIN_NUMBER, "grid": True, "labelFlush": False}
    return {
        "field": "s",
        "type": "quantitative",
        "title": title,
        "axis": axis,
        "scale": {"domain": list(domain), "nice": False, "zero": False},
    }


def level_axis(domain: Sequence[float], title: str) -> dict[str, Any]:
    """The y channel of `db`. What lies below the domain runs along its edge: clipping would need names in the SVG."""
    return {
        "field": "db",
        "type": "quantitative",
        "title": title,
        "axis": {"format": PLAIN_NUMBER},
        "scale": {"domain": list(domain), "nice": False, "zero": False, "clamp": True},
    }
