"""The differences of a comparison with their intervals: a panel for each quantity, a row for each that was compared.

The figures and verdicts are those of the comparison; nothing is worked out anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.caption import captioned, panel_title
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.names import shown_names
from coilbench_service.charts.theme import FAINT, GRID, INK, PAPER, SERIES, WIDTH
from coilbench_service.writing import figure, signed

NAME = "intervals"
MORE, LESS, NONE = "more than the baseline", "less", "no difference shown"
VERDICTS = {"higher": MORE, "lower": LESS, "no-difference-shown": NONE}
LOOK = {MORE: ("triangle-right", SERIES[0]), LESS: ("triangle-left", SERIES[1]), NONE: ("circle", PAPER)}
ROW, CHARACTER = 20, 6.8
"""Height of a row, width of a character of the names beside the panels, px."""
GAP = 24
"""Between panels that stand side by side, px."""
NOTHING_SAID = "nothing said"


def intervals_chart(found: Mapping[str, Any], names: Mapping[str, str]) -> Chart:
    """The intervals of a comparison.

    Parameters
    ----------
    found : `comparing.compare`
    names : of its subjects by id
    """
    others = [one["id"] for one in found["subjects"] if one["id"] != found["baseline"]]
    shown = shown_names(names)
    quantities = found["quantities"]
    columns = 1 if len(quantities) == 1 else 2
    labels = round(12 + CHARACTER * max(len(shown[key]) for key in others))
    width = (WIDTH - labels - (columns - 1) * GAP) // columns
    panels = [
        _panel(one, _rows(found, one["key"], shown), [shown[key] for key in others], width, number % columns == 0)
        for number, one in enumerate(quantities)
    ]
    view = {"columns": columns, "concat": panels, "spacing": {"row": 14, "column": GAP}}
    return Chart(
        NAME,
        f"Differences from {shown[found['baseline']]}, with {100 * found['confidence']:g} % intervals",
        _words(found, names),
        captioned(view, _caption(found), labels),
    )


def _rows(found: Mapping[str, Any], quantity: str, shown: Mapping[str, str]) -> list[dict[str, Any]]:
    kept = ("other", "quantity", "unit", "difference", "low", "high", "smallest_shown", "verdict")
    return [
        {
            **{name: row[name] for name in kept},
            "name": shown[row["other"]],
            "said": VERDICTS.get(row["verdict"]),
            "least": None if row["smallest_shown"] is None else -row["smallest_shown"],
            "nothing": NOTHING_SAID if row["difference"] is None else None,
        }
        for row in found["results"]
        if row["quantity"] == quantity
    ]


def _panel(
    quantity: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], drawn: Sequence[str], width: int, labelled: bool
) -> dict[str, Any]:
    x = {
        "type": "quantitative",
        "title": f"Difference ({rows[0]['unit']})",
        "scale": {"zero": True},
        "axis": {"tickCount": 5},
    }
    y = {
        "field": "name",
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(drawn)},
        "axis": {"labels": labelled, "ticks": labelled, "labelLimit": WIDTH, "grid": True},
    }
    said = list(LOOK)
    shape = {
        "field": "said",
        "type": "nominal",
        "scale": {"domain": said, "range": [LOOK[one][0] for one in said]},
        "legend": {"title": None, "orient": "top", "symbolSize": 80},
    }
    fill = {**shape, "scale": {"domain": said, "range": [LOOK[one][1] for one in said]}}
    there = [row for row in rows if row["difference"] is not None]
    layers: list[dict[str, Any]] = [
        {
            "data": {"values": [row for row in there if row["smallest_shown"] is not None]},
            "mark": {"type": "bar", "color": GRID, "height": ROW - 8},
            "encoding": {"x": {**x, "field": "least"}, "x2": {"field": "smallest_shown"}, "y": y},
        },
        {
            "data": {"values": [{"zero": 0}]},
            "mark": {"type": "rule", "color": FAINT, "strokeWidth": 1.2},
            "encoding": {"x": {**x, "field": "zero"}},
        },
        {
            "data": {"values": there},
            "mark": {"type": "rule", "color": INK, "strokeWidth": 1.6},
            "encoding": {"x": {**x, "field": "low"}, "x2": {"field": "high"}, "y": y},
        },
        {
            "data": {"values": there},
            "mark": {"type": "point", "filled": False, "size": 75, "strokeWidth": 1.2, "opacity": 1},
            "encoding": {
                "x": {**x, "field": "difference"},
                "y": y,
                "shape": shape,
                "fill": fill,
                "stroke": {"value": INK},
            },
        },
        {
            "data": {"values": [row for row in rows if row["difference"] is None]},
            "mark": {"type": "text", "color": FAINT, "fontStyle": "italic"},
            "encoding": {"y": y, "text": {"field": "nothing", "type": "nominal"}},
        },
    ]
    return {
        "title": panel_title(quantity["name"]),
        "width": width,
        "height": ROW * len(drawn),
        "layer": layers,
    }


def _caption(found: Mapping[str, Any]) -> list[str]:
    withheld = any(row["withheld"] for row in found["results"])
    return [
        f"Line: {100 * found['confidence']:g} % interval of each difference by itself. Filled signs: differences that "
        "are shown among all that was compared together. Grey bar: a true difference inside it would have been shown "
        "less than four times in five; no difference shown is not no difference."
        + (f" Where there is {NOTHING_SAID}, the text alternative has the reason." if withheld else ""),
        *found["cautions"],
    ]


def _words(found: Mapping[str, Any], names: Mapping[str, str]) -> str:
    percent = f"{100 * found['confidence']:g} %"
    said = [
        f"Differences from {names[found['baseline']]}, with {percent} intervals; verdicts hold for all together.",
        "Where no difference is shown, the size follows that would have been shown four times in five.",
    ]
    for quantity in found["quantities"]:
        rows = [row for row in found["results"] if row["quantity"] == quantity["key"]]
        figures = "; ".join(_figure(row, quantity, names) for row in rows)
        said.append(f"{quantity['name']}, {rows[0]['unit']}: {figures}.")
    return " ".join([*said, *found["cautions"]])


def _figure(row: Mapping[str, Any], quantity: Mapping[str, Any], names: Mapping[str, str]) -> str:
    name, digits = names[row["other"]], quantity["decimals"]
    if row["difference"] is None:
        return f"{name} nothing said, because {row['withheld']}"
    said = f"{name} {signed(row['difference'], digits)}"
    if row["low"] is not None:
        said += f" ({signed(row['low'], digits)} to {signed(row['high'], digits)})"
    verdict = {"higher": quantity["more"], "lower": quantity["less"]}.get(row["verdict"])
    said += f" {verdict or NONE}"
    if verdict is None and row["smallest_shown"] is not None:
        said += f", {figure(row['smallest_shown'], digits)} would have been"
    return said
