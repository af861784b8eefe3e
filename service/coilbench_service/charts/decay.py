"""How a take's strums die away: each energy decay curve with the line that was fitted to it.

The curves are those that the decay was read from (Schroeder's backward integration, the noise taken off first), so the
slope to be seen is the figure that is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.chart import Chart
from coilbench_service.charts.theme import FAINT, WIDTH

NAME = "decay"
LOWEST_DB = -60.0
COLUMNS = 2


def decay_chart(label: str, strums: Sequence[Mapping[str, Any]], traces: Mapping[str, Any]) -> Chart:
    """A panel for each strum: curve, line, and the decay in dB/s or why there is none.

    Parameters
    ----------
    label : of the take
    strums : of its measurement
    traces : of its measurement (`measure.traces`)
    """
    by_number = {trace["number"]: trace for trace in traces["strums"]}
    panels = [_panel(strum, by_number.get(strum["number"]) or {}) for strum in strums]
    return Chart(
        NAME,
        f"How the strums of {label} die away",
        _words(strums),
        {"columns": COLUMNS, "concat": panels, "resolve": {"scale": {"x": "shared", "y": "shared"}}},
    )


def _panel(strum: Mapping[str, Any], trace: Mapping[str, Any]) -> dict[str, Any]:
    curve, fit = trace.get("curve"), trace.get("fit")
    points = [] if curve is None else _points(curve)
    line = [] if fit is None else [{"s": fit[f"{end}_s"], "db": fit[f"{end}_db"]} for end in ("from", "to")]
    x = {"field": "s", "type": "quantitative", "title": "Time from the onset (s)", "scale": {"zero": True}}
    y = {"field": "db", "type": "quantitative", "title": "Energy left (dB)", "scale": {"domain": [LOWEST_DB, 0]}}
    return {
        "title": {"text": f"Strum {strum['number']}: {_said(strum)}", "fontSize": 12, "fontWeight": "normal"},
        "width": WIDTH // COLUMNS - 30,
        "height": 150,
        "layer": [
            {"data": {"values": points}, "mark": {"type": "line", "clip": True}, "encoding": {"x": x, "y": y}},
            {
                "data": {"values": line},
                "mark": {"type": "line", "color": FAINT, "strokeDash": [6, 3], "strokeWidth": 2.5},
                "encoding": {"x": x, "y": y},
            },
        ],
    }


def _points(course: Mapping[str, Any]) -> list[dict[str, float]]:
    levels = course["db"]
    return [
        {"s": round(course["start_s"] + number * course["step_s"], 4), "db": level}
        for number, level in enumerate(levels)
        if level is not None and level >= LOWEST_DB - 5
    ]


def _said(strum: Mapping[str, Any]) -> str:
    value = strum["quantities"].get("decay_db_per_s")
    return "no decay told" if value is None else f"{value:.1f} dB/s"


def _words(strums: Sequence[Mapping[str, Any]]) -> str:
    said = [f"strum {strum['number']} {_said(strum)}" for strum in strums]
    reasons = [
        f" Strum {strum['number']} has none because {strum['reasons']['decay_db_per_s']}."
        for strum in strums
        if strum["quantities"].get("decay_db_per_s") is None and "decay_db_per_s" in strum["reasons"]
    ]
    return f"Energy left against time, from 0 dB at the onset, with a fitted line: {', '.join(said)}.{''.join(reasons)}"
