"""The windows in which strums are measured: a lane that names them, and shades behind what is drawn under it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from coilbench_service.charts.theme import FAINT, INK, SHADE, SHADE_DARK, WIDTH

NAMES = ("level", "attack", "body", "tail")
ROW_PX = 15
_FILLS = {"level": "#ffffff", "attack": SHADE_DARK, "body": SHADE, "tail": "#e4e4e4"}


@dataclass(frozen=True)
class Window:
    """A stretch of each strum, s from its onset."""

    name: str
    from_s: float
    to_s: float

    @property
    def said(self) -> str:
        """From when to when, in words."""
        return f"{self.from_s:g} to {self.to_s:g} s"


def windows_of(settings: Mapping[str, Any]) -> list[Window]:
    """The windows of a measurement's settings."""
    return [Window(name, *settings[f"{name}_window_s"]) for name in NAMES]


def lane(windows: Sequence[Window], x: Mapping[str, Any]) -> dict[str, Any]:
    """The view: a bar for each window, its name before the lane, its times behind the bar.

    Parameters
    ----------
    windows : to be named
    x : channel of `s`, without an axis
    """
    y = {
        "field": "window",
        "type": "nominal",
        "title": None,
        "scale": {"domain": [window.name for window in windows]},
        "axis": {"ticks": False, "domain": False, "labelPadding": 6},
    }
    end = {**x, "field": "end"}
    bars = [
        {
            "data": {"values": _rows([window])},
            "mark": {"type": "bar", "height": 9, "color": _FILLS[window.name], "stroke": INK, "strokeWidth": 0.7},
            "encoding": {"x": dict(x), "x2": {"field": "end"}, "y": y},
        }
        for window in windows
    ]
    times = {
        "data": {"values": _rows(windows)},
        "mark": {"type": "text", "align": "left", "dx": 5, "fontSize": 10},
        "encoding": {"x": end, "y": y, "text": {"field": "said", "type": "nominal"}},
    }
    return {"width": WIDTH, "height": ROW_PX * len(windows), "view": {"stroke": None}, "layer": [*bars, times]}


def shades(windows: Sequence[Window], x: Mapping[str, Any], to_s: float) -> list[dict[str, Any]]:
    """The layers behind, up to a time: attack, body and tail, with a thin line where each begins and ends."""
    return [
        {
            "data": {"values": _rows([replace(window, to_s=min(window.to_s, to_s))])},
            "mark": {
                "type": "rect",
                "opacity": 1,
                "fillOpacity": 0.75,
                "color": _FILLS[window.name],
                "stroke": FAINT,
                "strokeWidth": 0.4,
            },
            "encoding": {"x": dict(x), "x2": {"field": "end"}},
        }
        for window in windows
        if window.name != "level" and window.from_s < to_s
    ]


def _rows(windows: Sequence[Window]) -> list[dict[str, Any]]:
    return [{"window": window.name, "s": window.from_s, "end": window.to_s, "said": window.said} for window in windows]
