"""How the strums of a take rise and fall: their levels laid over one another from their onsets, and their windows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts import course, window_lane
from coilbench_service.charts.axes import level_axis, level_domain, time_axis
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.figures import first_of, mean_figure, name_of, quantity_figure, why_none
from coilbench_service.charts.strum_lines import StrumLines
from coilbench_service.charts.theme import FAINT, PANEL_TITLE, WIDTH
from coilbench_service.charts.window_lane import Window
from coilbench_service.writing import NOTHING, figure

NAME = "envelopes"
HEIGHT = 190
LEAST_S, ROOM = 2.0, 1.25
"""How far it reaches: beyond the end of the last window, as names stand there."""
RISE_S = (-0.02, 0.12)
DEPTH_DB = 80.0
"""Of the axis, at most."""
TOLD = ("rms_dbfs", "attack_ms", "attack_body_db", "hold_1s_db")

Row = dict[str, Any]


def envelopes_chart(label: str, document: Mapping[str, Any], traces: Mapping[str, Any]) -> Chart:
    """Two panels, all strums in each: level from the onset on, under a lane of the windows, and the first 120 ms.

    Parameters
    ----------
    label : of the take
    document : its measurement
    traces : of its measurement (`measure.traces`)
    """
    windows = window_lane.windows_of(document["settings"])
    to_s = max(LEAST_S, round(ROOM * max(window.to_s for window in windows), 2))
    lines = StrumLines(document["strums"])
    drawn = [trace for trace in traces["strums"] if lines.draws(trace["number"])]
    levels = [row for one in drawn for row in course.rows(one["level"], to_s=to_s, centred=True, strum=one["number"])]
    rises = [row for one in drawn for row in course.rows(one["rise"], centred=True, strum=one["number"])]
    views = [
        window_lane.lane(windows, time_axis((0.0, to_s), None)),
        _panel(levels, lines, windows, (0.0, to_s), f"RMS level in steps of {_steps(traces)}, the first {to_s:g} s"),
        _panel(rises, lines, windows, RISE_S, "The first 0.12 s enlarged: RMS level in steps of 1 ms"),
    ]
    return Chart(
        NAME,
        f"How the strums of {label} rise and fall",
        " ".join(_words(document, windows)),
        {"vconcat": views, "spacing": 8},
        note=f"Windows are counted from the onset; attack, body and tail are shaded. {lines.left_out}".strip(),
    )


def _panel(
    rows: Sequence[Row], lines: StrumLines, windows: Sequence[Window], span_s: tuple[float, float], title: str
) -> dict[str, Any]:
    x, y = (
        time_axis(span_s, "Time from the onset (s)"),
        level_axis(level_domain((row["db"] for row in rows), DEPTH_DB), "Level (dBFS)"),
    )
    return {
        "title": {"text": title, **PANEL_TITLE},
        "width": WIDTH,
        "height": HEIGHT,
        "layer": [
            *window_lane.shades(windows, x, span_s[1]),
            *lines.layers(rows, x, y),
            {
                "data": {"values": [{"s": 0.0}]},
                "mark": {"type": "rule", "color": FAINT, "strokeWidth": 1},
                "encoding": {"x": x},
            },
        ],
    }


def _steps(traces: Mapping[str, Any]) -> str:
    steps = [1000.0 * strum["level"]["step_s"] for strum in traces["strums"]] or [10.0]
    least, greatest = (figure(one, 0) for one in (min(steps), max(steps)))
    return f"{least} ms" if least == greatest else f"{least} to {greatest} ms"


def _words(document: Mapping[str, Any], windows: Sequence[Window]) -> list[str]:
    strums, summary = document["strums"], document["summary"]
    if not strums:
        return ["There are no strums."]
    shown, left_out = first_of(strums)
    said = [
        f"Level against time of {len(strums)} strum{'' if len(strums) == 1 else 's'}, over one another.",
        f"Windows: {', '.join(f'{window.name} {window.said}' for window in windows)}.",
    ]
    means = ", ".join(f"{name_of(key)} {mean_figure(key, summary.get(key))}" for key in TOLD)
    said.append(f"Mean ± standard deviation of the strums: {means}.")
    for strum in shown:
        told = (f"{name_of(key)} {quantity_figure(key, strum['quantities'].get(key))}" for key in TOLD)
        said.append(f"Strum {strum['number']}: {', '.join(told)}.")
    if left_out:
        said.append(f"The first {len(shown)} of {len(strums)} strums are told.")
    reasons = [f"{name_of(key)} of {clause}" for key in TOLD for clause in why_none(strums, key)]
    if reasons:
        said.append(f"What is {NOTHING} can't be measured: {'; '.join(reasons)}.")
    return said
