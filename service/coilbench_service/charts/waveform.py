"""The whole recording of a take: its least and greatest samples, its strums, and where checks found something."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts import overview, strum_lane
from coilbench_service.charts.axes import time_axis
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.figures import first_of, seconds
from coilbench_service.charts.theme import INK, SERIES, SHADE_DARK, WIDTH
from coilbench_service.writing import figure
from coilbench_worker.measure.checks import check_kind

NAME = "waveform"
HEIGHT = 200
CHECK_PX = 18
FEW = 6
"""So many places are told one by one."""
_SEVERITIES = {"note": "note", "caution": "caution", "reject": "unusable"}


def waveform_chart(label: str, document: Mapping[str, Any], traces: Mapping[str, Any]) -> Chart:
    """One panel, with a lane of strums above it and, where checks name strums or times, a lane for each below.

    Parameters
    ----------
    label : of the take
    document : its measurement
    traces : of its measurement (`measure.traces`)
    """
    strums, duration_s = document["strums"], document["audio"]["duration_s"]
    seen, greatest = traces["overview"], overview.greatest_sample(traces["overview"])
    scale = overview.scale_for(greatest)
    marked = [check for check in document["checks"] if check["times_s"] or check["strums"]]
    bare, titled = time_axis((0.0, duration_s), None), time_axis((0.0, duration_s), "Time (s)")
    recording = {
        "width": WIDTH,
        "height": HEIGHT,
        "layer": [
            strum_lane.onsets(strums, titled),
            overview.area(seen, titled, scale, duration_s),
            overview.decibels(scale),
        ],
        "resolve": {"axis": {"y": "independent"}},
    }
    views = [strum_lane.lane(strums, bare, duration_s, strum_lane.ends_of(strums))] if strums else []
    views += [recording, *([_checks(marked, strums, bare)] if marked else [])]
    return Chart(
        NAME,
        f"The recording of {label}",
        " ".join(_words(document, greatest, marked)),
        {"vconcat": views, "spacing": 6, "resolve": {"scale": {"x": "shared"}}},
        note=_note(greatest, scale, bool(marked)),
    )


def _checks(
    checks: Sequence[Mapping[str, Any]], strums: Sequence[Mapping[str, Any]], x: Mapping[str, Any]
) -> dict[str, Any]:
    by_number = {strum["number"]: strum for strum in strums}
    rows = [f"{check['code']} ({_SEVERITIES[check['severity']]})" for check in checks]
    bars = [
        {"check": row, "s": by_number[one]["onset_s"], "end": by_number[one]["end_s"]}
        for row, check in zip(rows, checks, strict=True)
        for one in check["strums"]
        if one in by_number
    ]
    times = [{"check": row, "s": time} for row, check in zip(rows, checks, strict=True) for time in check["times_s"]]
    y = {
        "field": "check",
        "type": "nominal",
        "title": None,
        "scale": {"domain": rows},
        "axis": {"grid": True, "ticks": False, "domain": False},
    }
    return {
        "width": WIDTH,
        "height": CHECK_PX * len(rows),
        "layer": [
            {
                "data": {"values": bars},
                "mark": {"type": "bar", "height": 8, "color": SHADE_DARK, "stroke": INK, "strokeWidth": 0.5},
                "encoding": {"x": dict(x), "x2": {"field": "end"}, "y": y},
            },
            {
                "data": {"values": times},
                "mark": {"type": "tick", "thickness": 1.5, "size": 13, "color": SERIES[1], "opacity": 1},
                "encoding": {"x": dict(x), "y": y},
            },
        ],
    }


def _note(greatest: float, scale: float, checked: bool) -> str:
    level = overview.dbfs(greatest)
    if level is None:
        return "Digital silence throughout."
    enlarged = "" if scale >= 1.0 else f" The axis ends at {scale:g} of full scale."
    below = " Below, what checks name: strums as bars, the first places as ticks." if checked else ""
    return f"Greatest sample {figure(level, 1)} dBFS.{enlarged}{below}"


def _words(document: Mapping[str, Any], greatest: float, marked: Sequence[Mapping[str, Any]]) -> list[str]:
    strums = document["strums"]
    shown, left_out = first_of(strums)
    level = overview.dbfs(greatest)
    said = [
        f"Least and greatest samples over the {seconds(document['audio']['duration_s'])} of the recording.",
        "It is digital silence." if level is None else f"The greatest sample is at {figure(level, 1)} dBFS.",
        f"{len(strums)} strum{'' if len(strums) == 1 else 's'} found{':' if strums else '.'}",
    ]
    if strums:
        spans = (
            f"{strum['number']} from {seconds(strum['onset_s'])} to {seconds(strum['end_s'])} "
            f"(ended by {strum_lane.ENDS[strum['ended_by']]})"
            for strum in shown
        )
        said.append(f"{'; '.join(spans)}.")
    if left_out:
        said.append(f"The last of {len(strums)} begins at {seconds(strums[-1]['onset_s'])}.")
    return said + [
        f"{check_kind(check['code']).title}{_places(check['times_s'])}: {check['message']}" for check in marked
    ]


def _places(times_s: Sequence[float]) -> str:
    if len(times_s) > FEW:
        return f" (marked at {len(times_s)} places from {seconds(times_s[0])} to {seconds(times_s[-1])})"
    return f" (marked at {', '.join(figure(time, 2) for time in times_s)} s)" if times_s else ""
