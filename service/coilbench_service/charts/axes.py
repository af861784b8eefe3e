"""Axes that several charts share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from coilbench_service.charts.theme import PLAIN_NUMBER


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
