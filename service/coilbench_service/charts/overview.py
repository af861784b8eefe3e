"""A whole recording as an area between its least and greatest samples, and the amplitude scale that fits it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log10
from typing import Any

from coilbench_service.charts.theme import PLAIN_NUMBER, SERIES, WIDTH

FULL_SCALE = 1.0
FINEST_PX = 0.5
HEADROOM = 1.05
"""What peaks at full scale is still drawn within the frame."""
_DECIBELS = "datum.value == 0 ? '' : format(20 * log(abs(datum.value)) / LN10, '.0f')"


def greatest_sample(overview: Mapping[str, Any]) -> float:
    """Greatest absolute sample, full scale = 1.0; 0.0 for digital silence."""
    return max((abs(value) for value in (*overview["least"], *overview["greatest"])), default=0.0)


def dbfs(sample: float) -> float | None:
    """A sample re full scale; None for silence."""
    return 20.0 * log10(sample) if sample > 0.0 else None


def scale_for(greatest: float) -> float:
    """The least of 1, 0.5, 0.2, 0.1 ... 0.001 that holds a sample; more than 1 only for what lies beyond full scale."""
    if greatest > FULL_SCALE:
        return greatest
    steps = [step * 10.0**-power for power in range(3) for step in (1.0, 0.5, 0.2)] + [1e-3]
    return round(min(step for step in steps if step >= greatest), 6)


def area(
    overview: Mapping[str, Any],
    x: Mapping[str, Any],
    scale: float,
    duration_s: float,
    *,
    finest_px: float = FINEST_PX,
    labelled: bool = True,
) -> dict[str, Any]:
    """The layer: sample values on the left axis.

    Parameters
    ----------
    overview : `step_s`, `least`, `greatest` (`measure.traces`)
    x : channel of `s`
    scale : greatest sample value of the axis
    duration_s : what the width stands for
    finest_px : stretches are joined until none is narrower
    labelled : whether the axis has a title
    """
    y = {
        "field": "greatest",
        "type": "quantitative",
        "title": "Sample value (full scale = 1)" if labelled else None,
        "axis": {"values": ticks(scale), "format": PLAIN_NUMBER},
        "scale": {"domain": [-HEADROOM * scale, HEADROOM * scale], "nice": False},
    }
    return {
        "data": {"values": rows(overview, finest_px * duration_s / WIDTH)},
        "mark": {
            "type": "area",
            "interpolate": "step-after",
            "color": SERIES[0],
            "opacity": 1,
            "line": {"strokeWidth": 0.6, "color": SERIES[0], "interpolate": "step-after"},
        },
        "encoding": {"x": dict(x), "y": y, "y2": {"field": "least"}},
    }


def decibels(scale: float, *, labelled: bool = True) -> dict[str, Any]:
    """The layer that has the same ticks on the right, in dBFS."""
    y = {
        "field": "greatest",
        "type": "quantitative",
        "title": "dBFS" if labelled else None,
        "axis": {"orient": "right", "values": ticks(scale), "labelExpr": _DECIBELS, "grid": False, "titleAngle": 0},
        "scale": {"domain": [-HEADROOM * scale, HEADROOM * scale], "nice": False},
    }
    return {
        "data": {"values": [{"greatest": 0.0}]},
        "mark": {"type": "rule", "opacity": 0},
        "encoding": {"y": y},
    }


def ticks(scale: float) -> Sequence[float]:
    """Of the axis: both ends, halves, and zero."""
    half = round(scale / 2.0, 6)
    return [-scale, -half, 0, half, scale]


def rows(overview: Mapping[str, Any], finest_s: float) -> list[dict[str, float]]:
    """`s`, `least`, `greatest` of stretches that are at least so long; the last one stands twice, to have an end."""
    joined = max(-int(-finest_s * (1.0 - 1e-6) // overview["step_s"]), 1)
    step_s = joined * overview["step_s"]
    found = [
        {
            "s": round(start // joined * step_s, 5),
            "least": min(overview["least"][start : start + joined]),
            "greatest": max(overview["greatest"][start : start + joined]),
        }
        for start in range(0, len(overview["least"]), joined)
    ]
    return found + [{**row, "s": round(len(overview["least"]) * overview["step_s"], 5)} for row in found[-1:]]
