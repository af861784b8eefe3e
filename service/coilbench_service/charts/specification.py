"""Data sheet against measurement: each pickup's mean with its interval over what its sheet says.

A line is drawn where a field predicts the quantity, with the interval of the line; what is drawn follows from the
figures of the fit. Pickups carry numbers, not colours: their names stand beneath.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log2, sqrt
from typing import Any

from coilbench_service.charts.caption import captioned, panel_title
from coilbench_service.charts.chart import Chart, lines
from coilbench_service.charts.names import shown_names
from coilbench_service.charts.placing import label_places
from coilbench_service.charts.theme import FAINT, INK, PLAIN_NUMBER, SERIES, WIDTH
from coilbench_service.field_labels import label_of
from coilbench_service.writing import figure, interval, signed

NAME = "specification"
MOST_COLUMNS = 3
"""Panels side by side where each row is one field."""
HEIGHT, CHARACTER = 190, 6.4
"""Height of a panel, width of a character of its title, px."""
STEPS = 40
"""Of the line and its band, evenly on its scale."""
MARGIN = 0.08
"""Of the range of the points, beside them."""
BY_FIT = {"not-shown": "not shown to predict", "too-few": "too little for a line"}


def specification_chart(found: Mapping[str, Any]) -> Chart:
    """Every field against every quantity.

    Parameters
    ----------
    found : `grouping.fitted`
    """
    pickups = sorted({point["pickup"] for fit in found["results"] for point in fit["points"]})
    shown = shown_names({key: key for key in pickups})
    number = {key: index for index, key in enumerate(pickups, 1)}
    quantities = {one["key"]: one for one in found["quantities"]}
    columns = len(quantities) if len(quantities) <= MOST_COLUMNS else 2
    panels = [_panel(fit, quantities[fit["quantity"]], number, columns) for fit in found["results"]]
    view = {"columns": columns, "concat": panels, "spacing": {"row": 18, "column": 20}}
    return Chart(
        NAME,
        "Data sheets against measurements",
        _words(found, quantities),
        captioned(view, _caption(found, shown, number), 50),
    )


def _panel(
    fit: Mapping[str, Any], quantity: Mapping[str, Any], number: Mapping[str, int], columns: int
) -> dict[str, Any]:
    width = WIDTH // columns - 56
    x: dict[str, Any] = {
        "field": "x",
        "type": "quantitative",
        "title": lines(label_of(fit["field"]), round(width / CHARACTER)),
    }
    y: dict[str, Any] = {"type": "quantitative", "title": f"{quantity['name']} ({quantity['unit']})"}
    points = [{**point, "number": str(number[point["pickup"]])} for point in fit["points"]]
    line = _line(fit)
    if points:
        across = _ends([_at(point["x"], fit) for point in points])
        up = _ends(
            [value for one in (*points, *line) for value in (one["low"], one["y"], one["high"]) if value is not None]
        )
        scale = {"type": "log", "base": 2} if fit["scale"] == "doublings" else {"zero": False}
        x["scale"] = {**scale, "domain": [_back(end, fit) for end in across], "nice": False}
        x["axis"] = {"tickCount": 5, "format": "~s" if _back(across[1], fit) >= 10_000 else PLAIN_NUMBER}
        y["scale"] = {"domain": list(up), "nice": False, "zero": False}
        _label(points, fit, across, up, width)
    return {
        "title": panel_title(_said(fit)),
        "width": width,
        "height": HEIGHT,
        "encoding": {"x": x},
        "layer": [
            {
                "data": {"values": line},
                "layer": [
                    {
                        "mark": {"type": "area", "color": SERIES[0], "opacity": 0.22},
                        "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}},
                    },
                    {
                        "mark": {"type": "line", "color": SERIES[0], "strokeWidth": 2},
                        "encoding": {"y": {**y, "field": "y"}},
                    },
                ],
            },
            {
                "data": {"values": points},
                "layer": [
                    {
                        "mark": {"type": "rule", "color": FAINT, "strokeWidth": 1.4},
                        "encoding": {"y": {**y, "field": "low"}, "y2": {"field": "high"}},
                    },
                    {
                        "mark": {"type": "point", "filled": True, "color": INK, "size": 34, "opacity": 1},
                        "encoding": {"y": {**y, "field": "y"}},
                    },
                    {
                        "mark": {"type": "text", "align": "center", "baseline": "middle", "fontSize": 10},
                        "encoding": {
                            "x": {**x, "field": "label_x"},
                            "y": {**y, "field": "label_y"},
                            "text": {"field": "number", "type": "nominal"},
                        },
                    },
                ],
            },
        ],
    }


def _ends(values: Sequence[float]) -> tuple[float, float]:
    """Where an axis begins and ends, with some air."""
    spare = MARGIN * ((max(values) - min(values)) or 1.0)
    return min(values) - spare, max(values) + spare


def _label(
    points: Sequence[dict[str, Any]],
    fit: Mapping[str, Any],
    across: tuple[float, float],
    up: tuple[float, float],
    width: int,
) -> None:
    """Say of each point where its number goes."""
    wide, high = (across[1] - across[0]) / width, (up[1] - up[0]) / HEIGHT
    spots = [((_at(one["x"], fit) - across[0]) / wide, (up[1] - one["y"]) / high) for one in points]
    for point, (right, down) in zip(points, label_places(spots, width, HEIGHT), strict=True):
        point["label_x"] = _back(across[0] + right * wide, fit)
        point["label_y"] = up[1] - down * high


def _at(x: float, fit: Mapping[str, Any]) -> float:
    return log2(x) if fit["scale"] == "doublings" else x


def _back(at: float, fit: Mapping[str, Any]) -> float:
    return 2.0**at if fit["scale"] == "doublings" else at


def _line(fit: Mapping[str, Any]) -> list[dict[str, float]]:
    """The line that was shown, with the interval of its mean: it passes through the mean of the points, and its
    interval is that of the slope away from there (simple linear regression, closed form).
    """
    if fit["verdict"] != "predicts":
        return []
    xs = [_at(point["x"], fit) for point in fit["points"]]
    mean_x = sum(xs) / len(xs)
    mean_y = sum(point["y"] for point in fit["points"]) / len(xs)
    half_of_slope = (fit["high"] - fit["low"]) / 2
    of_mean = half_of_slope * sqrt(sum((x - mean_x) ** 2 for x in xs) / len(xs))
    low, high = min(xs), max(xs)
    rows = []
    for step in range(STEPS + 1):
        at = low + (high - low) * step / STEPS
        y = mean_y + fit["slope"] * (at - mean_x)
        half = sqrt(of_mean**2 + (half_of_slope * (at - mean_x)) ** 2)
        rows.append({"x": _back(at, fit), "y": y, "low": y - half, "high": y + half})
    return rows


def _said(fit: Mapping[str, Any]) -> str:
    if fit["verdict"] == "predicts":
        return f"{signed(fit['slope'], 2)} {fit['unit']}"
    return BY_FIT[fit["verdict"]]


def _caption(found: Mapping[str, Any], shown: Mapping[str, str], number: Mapping[str, int]) -> list[str]:
    percent = f"{100 * found['confidence']:g} %"
    names = ", ".join(f"{number[key]} {shown[key]}" for key in number)
    carried = {key for fit in found["results"] for key in fit["carried_by"]}
    return [
        f"{names}." if names else "",
        f"Bars: {percent} interval of each pickup's mean.",
        f"Line: where the field predicts what was measured, in this collection, with its {percent} interval."
        if any(fit["verdict"] == "predicts" for fit in found["results"])
        else "",
        f"Without {' or '.join(sorted(shown[key] for key in carried))} a verdict would be another." if carried else "",
        *found["cautions"],
    ]


def _words(found: Mapping[str, Any], quantities: Mapping[str, Any]) -> str:
    said = ["Measured quantities over numbers of the data sheets, a point for each pickup."]
    for fit in found["results"]:
        said.append(fit["sentence"])
        said.append(f"{fit['field']}: {'; '.join(_figure(one, quantities[fit['quantity']]) for one in fit['points'])}.")
    return " ".join([*said, *found["cautions"]])


def _figure(point: Mapping[str, Any], quantity: Mapping[str, Any]) -> str:
    digits = quantity["decimals"]
    ends = "" if point["low"] is None else f" ({interval(point['low'], point['high'], digits)})"
    return f"{point['pickup']} {point['x']:g}, {figure(point['y'], digits)} {quantity['unit']}{ends}"
