"""Lines of strums over one another: few told apart by colour and dash, of many the highest and the lowest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench_service.charts.figures import quantity_figure
from coilbench_service.charts.theme import DASHES, FAINT, SERIES

EACH = len(SERIES)
"""Up to so many strums have a line of their own kind."""
MOST = 40
"""More lines are not drawn."""
LEVEL = "rms_dbfs"
OTHERS = "the others"
_LEGEND = {
    "title": "Strum",
    "orient": "bottom",
    "direction": "horizontal",
    "titleOrient": "left",
    "columns": EACH,
    "symbolType": "stroke",
    "symbolSize": 500,
    "symbolStrokeWidth": 1.8,
}


class StrumLines:
    """How the lines of a take's strums look.

    Parameters
    ----------
    strums : of its measurement
    """

    def __init__(self, strums: Sequence[Mapping[str, Any]]) -> None:
        self._kinds = _each(strums) if len(strums) <= EACH else _extremes(strums)
        self.left_out = ""
        if len(self._kinds) < len(strums):
            self.left_out = f"{len(self._kinds)} of {len(strums)} strums are drawn, every so many."

    def draws(self, number: int) -> bool:
        """Whether the strum of this number has a line."""
        return number in self._kinds

    def layers(
        self, rows: Sequence[Mapping[str, Any]], x: Mapping[str, Any], y: Mapping[str, Any]
    ) -> list[dict[str, Any]]:
        """The lines; rows have `s`, `db`, and `strum`, the number."""
        names = sorted(set(self._kinds.values()), key=_order)
        others = [row for row in rows if self._kinds[row["strum"]] == OTHERS]
        named = [{**row, "kind": self._kinds[row["strum"]]} for row in rows if self._kinds[row["strum"]] != OTHERS]
        channel: dict[str, Any] = {"field": "kind", "type": "nominal", "legend": _LEGEND}
        looks = {name: (FAINT, (1, 0)) if name == OTHERS else (SERIES[i], DASHES[i]) for i, name in enumerate(names)}
        colour = {**channel, "scale": {"domain": names, "range": [look[0] for look in looks.values()]}}
        dash = {**channel, "scale": {"domain": names, "range": [list(look[1]) for look in looks.values()]}}
        place = {"x": dict(x), "y": dict(y), "detail": {"field": "strum", "type": "nominal"}}
        thin = {
            "data": {"values": others},
            "mark": {"type": "line", "strokeWidth": 0.6, "color": FAINT},
            "encoding": place,
        }
        bold = {
            "data": {"values": named},
            "mark": "line",
            "encoding": {**place, "color": colour, "strokeDash": dash},
        }
        return [*([thin] if others else []), bold]


def _each(strums: Sequence[Mapping[str, Any]]) -> dict[int, str]:
    return {strum["number"]: str(strum["number"]) for strum in strums}


def _extremes(strums: Sequence[Mapping[str, Any]]) -> dict[int, str]:
    """What the line of each strum is called in the legend, by number; of very many, evenly chosen ones."""
    every = -(-len(strums) // (MOST - 2))
    kinds = {strum["number"]: OTHERS for strum in strums[:: every if len(strums) > MOST else 1]}
    known = [strum for strum in strums if strum["quantities"].get(LEVEL) is not None]
    if known:
        for word, pick in (("lowest", min), ("highest", max)):
            strum = pick(known, key=lambda one: one["quantities"][LEVEL])
            kinds[strum["number"]] = (
                f"{strum['number']}: {word} RMS level, {quantity_figure(LEVEL, strum['quantities'][LEVEL])}"
            )
    return kinds


def _order(name: str) -> tuple[bool, bool, int]:
    """Of the legend: by number, the highest first, the others last."""
    return name == OTHERS, ": lowest" in name, int(name.partition(":")[0]) if name != OTHERS else 0
