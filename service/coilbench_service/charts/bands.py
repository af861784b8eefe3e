"""Third-octave bands of several pickups at equal loudness, each mean with its interval.

Up to `TOGETHER` stand in one panel; more have a panel each, in which the others are faint.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.caption import captioned, panel_title
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.names import shown_names
from coilbench_service.charts.theme import DASHES, INK, SERIES, SIGNS, WIDTH
from coilbench_service.writing import figure, listed

NAME = "bands"
TOGETHER = 5
MOST = 12
"""Subjects of one chart."""
COLUMNS = 2
LEFT = 60
OTHERS = "#b4b4b4"
APART = 0.035
"""Octaves between the signs of two subjects in one band, so that intervals do not hide each other."""
LEVEL = "Level re the strum's loudness (dB)"
FREQUENCY = "Third-octave band (Hz)"


def bands_chart(found: Mapping[str, Any], names: Mapping[str, str]) -> Chart:
    """The bands of some subjects.

    Parameters
    ----------
    found : `banding.banded`, at most `MOST` subjects
    names : of the subjects by id
    """
    shown = shown_names(names)
    keys = [one["id"] for one in found["subjects"]]
    parts = list(dict.fromkeys(row["part"] for row in found["bands"]))
    alone = len(keys) == 1
    view = _together(found, keys, shown, parts) if len(keys) <= TOGETHER else _each(found, keys, shown, parts)
    who = shown[keys[0]] if alone else f"{len(keys)} side by side"
    return Chart(
        NAME,
        f"Third-octave bands at equal loudness: {who}",
        _words(found, names, parts),
        captioned(view, _caption(found, shown), LEFT if len(keys) <= TOGETHER else 30),
    )


def _points(found: Mapping[str, Any], keys: Sequence[str], shown: Mapping[str, str]) -> list[dict[str, Any]]:
    """The figures as they are, with the place at which each is drawn."""
    middle = (len(keys) - 1) / 2
    shift = {key: 2.0 ** ((number - middle) * APART) for number, key in enumerate(keys)}
    return [
        {
            **row,
            "name": shown[row["subject"]],
            "hz": float(row["part"]),
            "at_hz": round(float(row["part"]) * shift[row["subject"]], 3),
        }
        for row in found["bands"]
    ]


def _x(field: str, parts: Sequence[str], labelled: Sequence[str]) -> dict[str, Any]:
    hz = [float(part) for part in parts]
    whole = len(labelled) == len(parts)
    axis = {
        "values": [float(one) for one in labelled],
        "format": "d" if whole else "~s",
        "labelAngle": -90 if whole else 0,
        "labelOverlap": False,
    }
    scale = {"type": "log", "domain": [hz[0] / 1.15, hz[-1] * 1.15], "nice": False}
    return {"field": field, "type": "quantitative", "title": FREQUENCY, "axis": axis, "scale": scale}


def _y(field: str = "mean") -> dict[str, Any]:
    return {"field": field, "type": "quantitative", "title": LEVEL, "scale": {"zero": False}}


def _together(
    found: Mapping[str, Any], keys: Sequence[str], shown: Mapping[str, str], parts: Sequence[str]
) -> dict[str, Any]:
    drawn = [shown[key] for key in keys]
    legend = (
        None
        if len(drawn) == 1
        else {"title": None, "orient": "top", "columns": 3, "symbolSize": 80, "symbolStrokeWidth": 0}
    )

    def series(values: Sequence[Any]) -> dict[str, Any]:
        scale = {"domain": drawn, "range": list(values[: len(drawn)])}
        return {"field": "name", "type": "nominal", "scale": scale, "legend": legend}

    x = _x("at_hz", parts, parts)
    colour = series(SERIES)
    return {
        "width": WIDTH - LEFT,
        "height": 340,
        "data": {"values": _points(found, keys, shown)},
        "encoding": {"x": x, "color": colour},
        "layer": [
            {"mark": {"type": "rule", "strokeWidth": 1.4}, "encoding": {"y": _y("low"), "y2": {"field": "high"}}},
            {
                "mark": {"type": "line", "strokeWidth": 1.4},
                "encoding": {"y": _y(), "strokeDash": {**series([list(dash) for dash in DASHES]), "legend": None}},
            },
            {
                "mark": {"type": "point", "filled": True, "size": 42, "opacity": 1},
                "encoding": {"y": _y(), "shape": series(SIGNS)},
            },
        ],
    }


def _each(
    found: Mapping[str, Any], keys: Sequence[str], shown: Mapping[str, str], parts: Sequence[str]
) -> dict[str, Any]:
    points = _points(found, keys, shown)
    octaves = parts[1::3]
    x = _x("hz", parts, octaves)
    y = {**_y(), "title": "dB", "axis": {"tickCount": 5}}
    panels = [
        {
            "title": panel_title(shown[key]),
            "width": WIDTH // COLUMNS - 46,
            "height": 100,
            "encoding": {"x": {**x, "title": None}},
            "layer": [
                {
                    "data": {"values": [one for one in points if one["subject"] != key]},
                    "mark": {"type": "line", "color": OTHERS, "strokeWidth": 0.8},
                    "encoding": {"y": y, "detail": {"field": "name", "type": "nominal"}},
                },
                {
                    "data": {"values": [one for one in points if one["subject"] == key]},
                    "layer": [
                        {
                            "mark": {"type": "area", "color": SERIES[0], "opacity": 0.3},
                            "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}},
                        },
                        {"mark": {"type": "line", "color": INK, "strokeWidth": 1.6}, "encoding": {"y": y}},
                    ],
                },
            ],
        }
        for key in keys
    ]
    return {"columns": COLUMNS, "concat": panels, "spacing": 12, "resolve": {"scale": {"x": "shared", "y": "shared"}}}


def _caption(found: Mapping[str, Any], shown: Mapping[str, str]) -> list[str]:
    many = len(found["subjects"]) > TOGETHER
    how = (
        f"Each panel: one of them in ink with the {100 * found['confidence']:g} % interval of its mean as a band; "
        f"the others faint. Across: {FREQUENCY}; up: {LEVEL[0].lower()}{LEVEL[1:]}."
        if many
        else f"Bars: {100 * found['confidence']:g} % interval of each mean by itself."
    )
    there = {row["subject"] for row in found["bands"] if row["mean"] is not None}
    without = [name for key, name in shown.items() if key not in there]
    return [f"{how} {_rests_on(found)}", f"No band stands clear of the noise: {listed(without)}." if without else ""]


def _rests_on(found: Mapping[str, Any]) -> str:
    single = [one["id"] for one in found["subjects"] if len(one["takes"]) == 1]
    if not single:
        return "Intervals rest on the scatter of takes."
    if len(single) == len(found["subjects"]):
        return "There is one take of each: intervals rest on its strums, and plugging in again is not in them."
    return "Where there is one take only, the interval rests on its strums, and plugging in again is not in it."


def _words(found: Mapping[str, Any], names: Mapping[str, str], parts: Sequence[str]) -> str:
    range_hz = f"{parts[0]} Hz to {parts[-1]} Hz"
    said = [
        f"Level of each third-octave band re the loudness of its strum, {range_hz}.",
        f"Means with {100 * found['confidence']:g} % intervals. {_rests_on(found)}",
    ]
    for one in found["subjects"]:
        known = [row for row in found["bands"] if row["subject"] == one["id"] and row["mean"] is not None]
        if not known:
            said.append(f"{names[one['id']]}: no band stands clear of the noise.")
            continue
        top = max(known, key=lambda row: float(row["mean"]))
        missing = [part for part in parts if part not in {row["part"] for row in known}]
        lack = f"; nothing at {listed(missing)} Hz, where noise or sample rate leave no level" if missing else ""
        said.append(f"{names[one['id']]}: most at {top['part']} Hz, {_figure(top)}{lack}.")
    said += _widest(found, names, parts)
    return " ".join(said)


def _widest(found: Mapping[str, Any], names: Mapping[str, str], parts: Sequence[str]) -> list[str]:
    """The band in which they lie farthest apart."""
    if len(found["subjects"]) < 2:
        return []
    by_part = {
        part: [row for row in found["bands"] if row["part"] == part and row["mean"] is not None] for part in parts
    }
    full = [rows for rows in by_part.values() if len(rows) > 1]
    if not full:
        return []

    def ends(rows: list[Any]) -> tuple[Any, Any]:
        ordered = sorted(rows, key=lambda row: float(row["mean"]))
        return ordered[-1], ordered[0]

    most, least = max((ends(rows) for rows in full), key=lambda pair: float(pair[0]["mean"] - pair[1]["mean"]))
    ends_said = ", ".join(f"{names[row['subject']]} {_figure(row)}" for row in (most, least))
    return [f"They lie farthest apart at {most['part']} Hz: {ends_said}."]


def _figure(row: Mapping[str, Any]) -> str:
    interval = "" if row["low"] is None else f" ({figure(row['low'])} to {figure(row['high'])})"
    return f"{figure(row['mean'])} dB{interval}"
