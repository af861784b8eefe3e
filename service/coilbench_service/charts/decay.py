"""How a take's strums die away: each energy decay curve with the line that was fitted to it.

The curves are those that the decay was read from (Schroeder's backward integration, the noise taken off first), so the
slope to be seen is the figure that is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts import course
from coilbench_service.charts.axes import level_axis, time_axis
from coilbench_service.charts.chart import Chart, lines
from coilbench_service.charts.figures import MOST_STRUMS, first_of, why_none
from coilbench_service.charts.theme import INK, PANEL_TITLE, WIDTH
from coilbench_service.writing import figure

NAME = "decay"
LOWEST_DB, LEAST_DEPTH_DB, STEP_DB = -60.0, -30.0, 10.0
COLUMNS, COLUMNS_OF_MANY, MANY = 2, 3, 6
LEAST_S = 1.0
HEIGHT, LINE_PX = 150, 14
REASON_SIGNS = {1: 96, 2: 46, 3: 28}
"""Of a line, for so many columns."""
CURVE = "#8cc9ee"
"""Light and broad, so that the line shows on it in grey, too."""


def decay_chart(label: str, strums: Sequence[Mapping[str, Any]], traces: Mapping[str, Any]) -> Chart:
    """A panel for each strum: curve, line, and the decay in dB/s or why there is none.

    Parameters
    ----------
    label : of the take
    strums : of its measurement
    traces : of its measurement (`measure.traces`)
    """
    shown, left_out = first_of(strums)
    by_number = {trace["number"]: trace for trace in traces["strums"]}
    drawn = [by_number.get(strum["number"]) or {} for strum in shown]
    to_s = max([LEAST_S, *(_length_s(trace["curve"]) for trace in drawn if trace.get("curve"))])
    x = time_axis((0.0, round(to_s, 1)), "Time from the onset (s)")
    y = level_axis((_lowest_db(drawn), 0.0), "Energy left (dB)")
    columns = COLUMNS_OF_MANY if len(shown) > MANY else min(COLUMNS, len(shown))
    panels = [_panel(strum, trace, x, y, columns) for strum, trace in zip(shown, drawn, strict=True)]
    return Chart(
        NAME,
        f"How the strums of {label} die away",
        _words(strums),
        {"columns": columns, "concat": panels, "spacing": {"row": 16, "column": 24}} if panels else EMPTY,
        note=f"Broad: energy left, re the onset. Dashed, from square to square: the fitted line. {left_out}".strip(),
    )


EMPTY: dict[str, Any] = {"data": {"values": []}, "mark": "point", "width": WIDTH, "height": HEIGHT}


def _panel(
    strum: Mapping[str, Any], trace: Mapping[str, Any], x: Mapping[str, Any], y: Mapping[str, Any], columns: int
) -> dict[str, Any]:
    curve, fit = trace.get("curve"), trace.get("fit")
    points = [] if curve is None else _points(curve)
    line = [] if fit is None else [{"s": fit[f"{end}_s"], "db": fit[f"{end}_db"]} for end in ("from", "to")]
    layers = [
        {
            "data": {"values": points},
            "mark": {"type": "line", "color": CURVE, "strokeWidth": 4},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": line},
            "mark": {
                "type": "line",
                "color": INK,
                "strokeDash": [6, 3],
                "strokeWidth": 1.4,
                "point": {"shape": "square", "filled": False, "fill": "white", "size": 34, "color": INK},
            },
            "encoding": {"x": x, "y": y},
        },
    ]
    if fit is None:
        layers.append(_reason(strum, x, y, REASON_SIGNS[columns]))
    return {
        "title": {"text": f"Strum {strum['number']}: {_said(strum)}", **PANEL_TITLE},
        "width": WIDTH if columns == 1 else WIDTH // columns - 30,
        "height": HEIGHT,
        "layer": layers,
    }


def _reason(strum: Mapping[str, Any], x: Mapping[str, Any], y: Mapping[str, Any], signs: int) -> dict[str, Any]:
    """The layer that says why there is no line, in the corner that a curve leaves free."""
    reason = strum["reasons"].get("decay_db_per_s", "no reason is kept")
    text = lines(f"No line: {reason}", signs, most=7)
    lowest_db = y["scale"]["domain"][0]
    return {
        "data": {"values": [{"s": 0.0, "db": lowest_db}]},
        "mark": {
            "type": "text",
            "align": "left",
            "baseline": "top",
            "dx": 8,
            "dy": -LINE_PX * len(text) - 4,
            "lineHeight": LINE_PX,
            "text": text,
        },
        "encoding": {"x": dict(x), "y": dict(y)},
    }


def _lowest_db(traces: Sequence[Mapping[str, Any]]) -> float:
    """Where the level axis ends: tens below what is there, within bounds."""
    levels = [row["db"] for trace in traces if trace.get("curve") for row in _points(trace["curve"])]
    lowest = STEP_DB * (min(levels, default=LOWEST_DB) // STEP_DB)
    return min(max(lowest, LOWEST_DB), LEAST_DEPTH_DB)


def _points(curve: Mapping[str, Any]) -> list[course.Row]:
    return [row for row in course.rows(curve) if row["db"] is not None and row["db"] >= LOWEST_DB - 5]


def _length_s(curve: Mapping[str, Any]) -> float:
    return max((float(row["s"]) for row in _points(curve)), default=0.0)


def _said(strum: Mapping[str, Any]) -> str:
    value = strum["quantities"].get("decay_db_per_s")
    return "no decay told" if value is None else f"{figure(value, 1)} dB/s"


def _words(strums: Sequence[Mapping[str, Any]]) -> str:
    if not strums:
        return "There are no strums."
    said = ", ".join(f"strum {strum['number']} {_said(strum)}" for strum in strums[: 5 * MOST_STRUMS])
    more = f", and {len(strums) - 5 * MOST_STRUMS} more" if len(strums) > 5 * MOST_STRUMS else ""
    reasons = why_none(strums, "decay_db_per_s")
    none = f" No decay is told of {'; of '.join(reasons)}." if reasons else ""
    left_out = first_of(strums)[1]
    start = "Energy left against time, from 0 dB at the onset, with a fitted line"
    return f"{start}: {said}{more}.{none}{f' {left_out}' if left_out else ''}"
