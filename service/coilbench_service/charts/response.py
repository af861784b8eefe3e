"""Response of a coil with its load by the model, peak and -3 dB point marked; beside it what was measured in octaves.

Octaves stand re their mean over the middle ones, model and measurement alike, since each has a reference of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import fsum
from typing import Any

from coilbench_service.charts.caption import APART, captioned, panel_title
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.names import shown_names
from coilbench_service.charts.theme import DASHES, INK, SERIES, SIGNS, WIDTH
from coilbench_service.writing import MINUS, hertz, listed, signed

NAME = "response"
LOWEST_DB = -36.0
"""Below the greatest level: what is drawn."""
HEADROOM_DB = 4.0
HZ = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000]
MODEL, MEASURED = "by the model", "as measured"
LEFT = 60
PEAK = "peak"
FAR_UP_HZ = 4500.0
"""Above, a text at the right of a mark would leave the frame."""
MARKS = ((PEAK, "peak_hz", "peak_db"), (f"{MINUS}3 dB", "minus3db_hz", None))
THREE_DB = 3.0103
"""10 lg 2: how far `minus3db_hz` lies below the level at 0 Hz."""


def response_chart(models: Mapping[str, Mapping[str, Any]], beside: Mapping[str, Any] | None = None) -> Chart:
    """The response of one coil, or of two pickups.

    Parameters
    ----------
    models : by name of the coil, `beside.modelled` or `coil_view.answer`, each with a response
    beside : of the first answer: what was measured, or None
    """
    shown = shown_names({name: name for name in models})
    views = [_curves(models, shown)]
    measured = _with_octaves(beside)
    if beside is not None and measured:
        views.append(_octaves(beside, measured, shown))
    whys = [said for name, model in models.items() for said in _whys(name, model)]
    limits = [said for model in models.values() for said in (*model["assumes"], *model["limits"])]
    title = f"Response by the model: {listed(list(shown.values()))}"
    return Chart(
        NAME,
        title,
        _words(models, beside),
        captioned(_stacked(views), [*whys, *(beside or {}).get("sentences", ()), *dict.fromkeys(limits)], LEFT),
    )


def _stacked(views: list[dict[str, Any]]) -> dict[str, Any]:
    apart = {"scale": dict.fromkeys(APART, "independent")}
    return {"vconcat": views, "spacing": 18, "resolve": apart} if len(views) > 1 else views[0]


def _scale(names: Sequence[str], values: Sequence[Any]) -> dict[str, Any]:
    return {"domain": list(names), "range": list(values[: len(names)])}


def _series(names: Sequence[str], values: Sequence[Any]) -> dict[str, Any]:
    legend = None if len(names) == 1 else {"title": None, "orient": "top", "symbolType": "stroke", "symbolSize": 500}
    return {"field": "name", "type": "nominal", "scale": _scale(names, values), "legend": legend}


def _curves(models: Mapping[str, Mapping[str, Any]], shown: Mapping[str, str]) -> dict[str, Any]:
    drawn = [shown[name] for name in models]
    curve = [{**point, "name": shown[name]} for name, model in models.items() for point in model["response"]]
    known = [point["db"] for point in curve if point["db"] is not None]
    top = max(known, default=0.0)
    marks = [mark for name, model in models.items() for mark in _marks(model, shown[name])]
    x = {
        "field": "hz",
        "type": "quantitative",
        "title": "Frequency (Hz)",
        "axis": {"values": HZ, "format": "~s"},
        "scale": {"type": "log", "domain": [20, 20_000], "nice": False},
    }
    y = {
        "field": "db",
        "type": "quantitative",
        "title": "Level re the voltage induced in one coil (dB)",
        "scale": {"domain": [top + LOWEST_DB, top + HEADROOM_DB], "nice": False},
    }
    clip = {"clip": True}
    return {
        "width": WIDTH - LEFT,
        "height": 280,
        "encoding": {"x": x, "color": _series(drawn, SERIES)},
        "layer": [
            {
                "data": {"values": curve},
                "mark": {"type": "line", "strokeWidth": 2, **clip},
                "encoding": {"y": y, "strokeDash": _series(drawn, [list(dash) for dash in DASHES])},
            },
            {
                "data": {"values": marks},
                "layer": [
                    {
                        "mark": {"type": "point", "filled": True, "size": 60, "opacity": 1, **clip},
                        "encoding": {"y": y},
                    },
                    *_labels(marks, y),
                ],
            },
        ],
    }


def _labels(marks: Sequence[Mapping[str, Any]], y: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Figures beside the marks: of two the lower at its left, the higher at its right, where no curve is in the way."""
    texts = []
    for what, *_ in MARKS:
        alike = sorted((mark for mark in marks if mark["mark"] == what), key=lambda mark: float(mark["hz"]))
        for number, mark in enumerate(alike):
            left = number == 0 if len(alike) > 1 else mark["hz"] > FAR_UP_HZ
            align, shift = ("right", -9) if left else ("left", 9)
            texts.append(
                {
                    "data": {"values": [mark]},
                    "mark": {"type": "text", "align": align, "dx": shift, "dy": -5 if what == PEAK else 6},
                    "encoding": {"y": dict(y), "color": {"value": INK}, "text": {"field": "said", "type": "nominal"}},
                }
            )
    return texts


def _marks(model: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    found = []
    for what, at, level in MARKS:
        hz, dc_db = model[at], model["dc_db"]
        db = model[level] if level is not None else None if dc_db is None else dc_db - THREE_DB
        if hz is not None and db is not None:
            figure = f", {signed(db)} dB" if level is not None else ""
            found.append({"name": name, "hz": hz, "db": db, "mark": what, "said": f"{what}: {hertz(hz)}{figure}"})
    return found


def _whys(name: str, model: Mapping[str, Any]) -> list[str]:
    """Why a mark is not there."""
    reasons = model["reasons"]
    found = [f"{name}, no {what}: {reasons[at]}" for what, at, _ in MARKS if model[at] is None and at in reasons]
    if model["peak_hz"] is not None and model["peak_db"] is None:
        found.append(f"{name}, {PEAK} at {hertz(model['peak_hz'])}: {reasons['peak_db']}")
    return found


def _with_octaves(beside: Mapping[str, Any] | None) -> list[Mapping[str, Any]]:
    """The sides of which octaves were measured."""
    sides = () if beside is None else beside["sides"]
    return [side for side in sides if any(one["measured_db"] is not None for one in side["octaves"])]


def _octaves(beside: Mapping[str, Any], sides: Sequence[Mapping[str, Any]], shown: Mapping[str, str]) -> dict[str, Any]:
    """A panel for each pickup: the model's octaves, and the measured ones."""
    middle = beside["middle"]
    ways = {MODEL: "model_db", MEASURED: "measured_db"}
    panels = []
    for number, side in enumerate(sides):
        rows = [
            {
                **one,
                "hz": float(one["part"]),
                "way": way,
                "db": None if one[name] is None or zero is None else one[name] - zero,
            }
            for way, name in ways.items()
            for zero in [_mean(side["octaves"], middle, name)]
            for one in side["octaves"]
        ]
        width = (WIDTH - 2 * LEFT) // 2 if len(sides) > 1 else WIDTH - LEFT
        panels.append({**_octave_panel(shown[side["pickup"]], rows, list(ways), first=number == 0), "width": width})
    return {"hconcat": panels, "spacing": 24, "resolve": {"scale": {"y": "shared"}}}


def _octave_panel(title: str, rows: list[dict[str, Any]], ways: list[str], *, first: bool) -> dict[str, Any]:
    legend = {"title": None, "orient": "bottom", "symbolSize": 80, "symbolStrokeWidth": 0}
    octaves = sorted({row["hz"] for row in rows})

    def way(values: Sequence[Any]) -> dict[str, Any]:
        return {"field": "way", "type": "nominal", "scale": _scale(ways, values), "legend": legend}

    y = {"field": "db", "type": "quantitative", "title": "Octave re middle (dB)" if first else None}
    x = {
        "field": "hz",
        "type": "quantitative",
        "title": "Octave band (Hz)",
        "axis": {"values": octaves, "format": "d", "labelOverlap": False},
        "scale": {"type": "log", "domain": [octaves[0] / 1.2, octaves[-1] * 1.2], "nice": False},
    }
    return {
        "title": panel_title(title),
        "height": 170,
        "data": {"values": rows},
        "encoding": {"x": x, "y": y, "color": way((SERIES[0], INK))},
        "layer": [
            {
                "mark": {"type": "line", "strokeWidth": 1.6},
                "encoding": {"strokeDash": {**way([list(dash) for dash in DASHES]), "legend": None}},
            },
            {"mark": {"type": "point", "filled": True, "size": 45, "opacity": 1}, "encoding": {"shape": way(SIGNS)}},
        ],
    }


def _mean(octaves: Sequence[Mapping[str, Any]], parts: Sequence[str], name: str) -> float | None:
    known = [one[name] for one in octaves if one["part"] in parts]
    return None if None in known or not known else fsum(known) / len(known)


def _words(models: Mapping[str, Mapping[str, Any]], beside: Mapping[str, Any] | None) -> str:
    said = ["Level over frequency, 20 Hz to 20 kHz, re the voltage induced in one coil, by the electrical model."]
    for name, model in models.items():
        parts = [mark["said"] for mark in _marks(model, name)]
        if model["dc_db"] is not None:
            parts.insert(0, f"at 0 Hz {signed(model['dc_db'])} dB")
        if parts:
            said.append(f"{name}: {'; '.join(parts)}.")
        said += _whys(name, model)
    said += (beside or {}).get("sentences", ())
    said += dict.fromkeys(one for model in models.values() for one in (*model["assumes"], *model["limits"]))
    return " ".join(said)
