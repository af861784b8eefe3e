"""A narrow lane above a recording: where each strum begins and ends, its number, and by what it ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.theme import INK, SERIES, WIDTH

ENDS = {"next": "next strum", "damped": "damped", "noise": "noise", "file-end": "end of file"}
"""By what a strum ends, in words."""
_SIGNS = {"next strum": "triangle-left", "damped": "square", "noise": "circle", "end of file": "diamond"}
HEIGHT = 26
_BAR_PX, _NUMBER_PX = 19, 6
_DIGIT_PX, _GAP_PX = 6.5, 6.0
"""Numbers for which there is no room are left out."""


def ends_of(strums: Sequence[Mapping[str, Any]]) -> list[str]:
    """By what strums ended, in words: what a legend has to hold."""
    found = {strum["ended_by"] for strum in strums}
    return [word for end, word in ENDS.items() if end in found]


def lane(
    strums: Sequence[Mapping[str, Any]], x: Mapping[str, Any], duration_s: float, ends: Sequence[str]
) -> dict[str, Any]:
    """The view.

    Parameters
    ----------
    strums : of a measurement
    x : channel of `s`, without an axis
    duration_s : what the width of the lane stands for
    ends : what the legend names (`ends_of`)
    """
    data = rows(strums, duration_s)
    bar = {"y": {"value": _BAR_PX}, "x": {**x, "axis": None}}
    signs = {
        "field": "ended",
        "type": "nominal",
        "scale": {"domain": list(_SIGNS), "range": list(_SIGNS.values())},
        "legend": {
            "title": "Strum ended by",
            "values": list(ends),
            "orient": "bottom",
            "direction": "horizontal",
            "titleOrient": "left",
            "titleAlign": "left",
            "symbolFillColor": INK,
            "symbolStrokeColor": INK,
        },
    }
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "view": {"stroke": None},
        "data": {"values": data},
        "layer": [
            {
                "mark": {"type": "rule", "strokeWidth": 3, "color": SERIES[1]},
                "encoding": {**bar, "x2": {"field": "end"}},
            },
            {
                "mark": {"type": "rule", "strokeWidth": 2, "color": SERIES[1]},
                "encoding": {"x": bar["x"], "y": {"value": _BAR_PX - 6}, "y2": {"value": HEIGHT}},
            },
            {
                "mark": {"type": "point", "filled": True, "size": 42, "color": INK, "opacity": 1},
                "encoding": {"x": {**x, "axis": None, "field": "end"}, "y": {"value": _BAR_PX}, "shape": signs},
            },
            {
                "mark": {"type": "text", "align": "left", "dx": -2, "fontWeight": "bold"},
                "encoding": {"x": bar["x"], "y": {"value": _NUMBER_PX}, "text": {"field": "shown"}},
            },
        ],
    }


def onsets(strums: Sequence[Mapping[str, Any]], x: Mapping[str, Any]) -> dict[str, Any]:
    """The layer that draws a line at each onset; to lie behind the recording."""
    return {
        "data": {"values": [{"s": strum["onset_s"]} for strum in strums]},
        "mark": {"type": "rule", "color": SERIES[1], "strokeWidth": 1, "strokeDash": [4, 2]},
        "encoding": {"x": dict(x)},
    }


def rows(strums: Sequence[Mapping[str, Any]], duration_s: float) -> list[dict[str, Any]]:
    """`s`, `end`, `ended` (in words), `number`, and `shown`: the number where there is room for it, else empty."""
    free_s, found = float("-inf"), []
    for strum in strums:
        number = str(strum["number"])
        fits = strum["onset_s"] >= free_s
        if fits:
            free_s = strum["onset_s"] + (len(number) * _DIGIT_PX + _GAP_PX) * duration_s / WIDTH
        found.append(
            {
                "s": strum["onset_s"],
                "end": strum["end_s"],
                "ended": ENDS[strum["ended_by"]],
                "number": strum["number"],
                "shown": number if fits else "",
            }
        )
    return found
