"""Takes side by side: their recordings one above the other on one scale of amplitude and one of time, each with its
figures beneath.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from coilbench_service.charts import overview, strum_lane
from coilbench_service.charts.axes import time_axis
from coilbench_service.charts.chart import Chart, lines
from coilbench_service.charts.figures import mean_figure, name_of, seconds, why_none
from coilbench_service.charts.theme import FAINT, PANEL_TITLE, WIDTH
from coilbench_service.writing import NOTHING, figure

NAME = "takes"
LEAST_TAKES, MOST_TAKES = 2, 12
TOLD = ("rms_dbfs", "peak_dbfs", "crest_db", "attack_body_db", "decay_db_per_s", "centroid_hz")
NOTE = "Left: sample value, full scale = 1. Right: the same in dBFS. Figures: mean ± standard deviation of the strums."
HEIGHTS = ((3, 110), (4, 80), (6, 56), (MOST_TAKES, 40))
"""Of a recording, px, for up to so many takes."""
FIGURES_PX = 36
FINEST_PX = 1.0
HEAD_SIGNS = 100


class Pictured(Protocol):
    """A take for its pictures (`pictured.Pictured`)."""

    @property
    def label(self) -> str:
        """What it is called."""

    @property
    def about(self) -> Mapping[str, Any]:
        """The description that holds for it."""

    @property
    def document(self) -> Mapping[str, Any]:
        """Its measurement."""

    @property
    def traces(self) -> Mapping[str, Any]:
        """Of its measurement (`measure.traces`)."""


def beside_chart(takes: Sequence[Pictured], *, scaled_with: Sequence[Pictured] = ()) -> Chart:
    """A recording and a row of figures for each take.

    Parameters
    ----------
    takes : 2 to 12, in the order in which they are to stand
    scaled_with : takes of other charts that are to have the same scales

    Raises
    ------
    ValueError : fewer or more
    """
    if not LEAST_TAKES <= len(takes) <= MOST_TAKES:
        raise ValueError(f"{len(takes)} takes; {LEAST_TAKES} to {MOST_TAKES} can stand side by side")
    every = (*takes, *scaled_with)
    greatest = max(overview.greatest_sample(take.traces["overview"]) for take in every)
    scale = overview.scale_for(greatest)
    duration_s = max(take.document["audio"]["duration_s"] for take in every)
    page = _Page(
        scale,
        duration_s,
        next(px for most, px in HEIGHTS if len(takes) <= most),
        strum_lane.ends_of([strum for take in takes for strum in take.document["strums"]]),
    )
    views: list[dict[str, Any]] = []
    for place, take in enumerate(takes, start=1):
        views += _views(take, place, page, last=place == len(takes))
    return Chart(
        NAME,
        f"{len(takes)} takes on one scale",
        " ".join(_words(takes, scale, duration_s)),
        {"vconcat": views, "spacing": 3, "resolve": {"legend": {"shape": "shared"}, "scale": {"shape": "shared"}}},
        note=f"{NOTE} {_gains(takes)}".strip(),
    )


@dataclass(frozen=True)
class _Page:
    """What all takes share: scales, height of a recording (px), what the legend names."""

    scale: float
    duration_s: float
    height: int
    ends: Sequence[str]


def _views(take: Pictured, place: int, page: _Page, *, last: bool) -> list[dict[str, Any]]:
    span, strums = (0.0, page.duration_s), take.document["strums"]
    x = time_axis(span, "Time (s)" if last else None)
    if not last:
        x["axis"] = {"labels": False, "ticks": False, "domain": False, "title": None}
    recording = {
        "width": WIDTH,
        "height": page.height,
        "layer": [
            strum_lane.onsets(strums, x),
            overview.area(take.traces["overview"], x, page.scale, page.duration_s, finest_px=FINEST_PX, labelled=False),
            overview.decibels(page.scale, labelled=False),
        ],
        "resolve": {"axis": {"y": "independent"}},
    }
    lane = strum_lane.lane(strums, time_axis(span, None), page.duration_s, page.ends)
    return [{**lane, "title": _head(take, place)}, recording, _figures(take)]


def _head(take: Pictured, place: int) -> dict[str, Any]:
    about = take.about
    parts = [f"{place}. {take.label}"]
    pickup = about.get("pickup")
    if pickup and str(pickup) not in take.label:
        parts.append(f"pickup {pickup}")
    if about.get("input_gain_db") is not None:
        parts.append(f"gain {figure(float(about['input_gain_db']), 1)} dB")
    if not take.document["usable"]:
        parts.append("unusable")
    head = {**PANEL_TITLE, "fontWeight": "bold", "fontSize": 12, "offset": 2, "frame": "group"}
    return {**head, "text": lines(", ".join(parts), HEAD_SIGNS, most=2)}


def _figures(take: Pictured) -> dict[str, Any]:
    """The view beneath a recording: names of quantities, and their means with spread."""
    summary = take.document["summary"]
    each = WIDTH / len(TOLD)
    rows = [
        {"x": each * place, "name": name_of(key), "said": mean_figure(key, summary.get(key))}
        for place, key in enumerate(TOLD)
    ]
    return {
        "width": WIDTH,
        "height": FIGURES_PX,
        "view": {"stroke": None},
        "data": {"values": rows},
        "layer": [
            {
                "mark": {"type": "text", "align": "left", "baseline": "top", **look},
                "encoding": {
                    "x": {
                        "field": "x",
                        "type": "quantitative",
                        "axis": None,
                        "scale": {"domain": [0, WIDTH], "nice": False},
                    },
                    "y": {"value": y},
                    "text": {"field": field, "type": "nominal"},
                },
            }
            for field, y, look in (
                ("name", 1, {"fontSize": 10, "color": FAINT}),
                ("said", 13, {"fontSize": 11}),
            )
        ],
    }


def _gains(takes: Sequence[Pictured]) -> str:
    """What keeps the amplitudes from being compared; nothing when all were recorded at one known gain."""
    gains = [take.about.get("input_gain_db") for take in takes]
    if None in gains:
        return "Amplitudes as recorded: not every take says its input gain."
    if len({float(gain) for gain in gains if gain is not None}) > 1:
        return "Amplitudes as recorded: the input gains differ."
    return ""


def _words(takes: Sequence[Pictured], scale: float, duration_s: float) -> list[str]:
    said = [
        f"Recordings of {len(takes)} takes one above the other.",
        f"All axes end at {scale:g} of full scale and at {seconds(duration_s)}.",
        "Figures are mean ± standard deviation of the strums.",
        _gains(takes),
    ]
    for place, take in enumerate(takes, start=1):
        strums, summary = take.document["strums"], take.document["summary"]
        pickup = take.about.get("pickup")
        figures = [f"{name_of(key)} {mean_figure(key, summary.get(key))}" for key in TOLD]
        count = f"{len(strums)} strum{'' if len(strums) == 1 else 's'}"
        unusable = "" if take.document["usable"] else " The take is unusable."
        said.append(f"{place}: {take.label}{f', pickup {pickup}' if pickup else ''}, {count}: {', '.join(figures)}.")
        missing = [key for key in TOLD if mean_figure(key, summary.get(key)) == NOTHING]
        reasons = [f"{name_of(key)} of {clause}" for key in missing for clause in why_none(strums, key)]
        if reasons:
            said.append(f"What is {NOTHING} can't be measured: {'; '.join(reasons)}.")
        said.append(unusable.strip())
    return [sentence for sentence in said if sentence]
