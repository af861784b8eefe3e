"""Sentences beneath a chart: how it is to be read, and what to bear in mind."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from coilbench_service.charts.chart import plain
from coilbench_service.charts.theme import FAINT, PANEL_TITLE, WIDTH

CHARACTERS = 102
"""Of a line of the type below, over the width of a chart; in the wider type of another machine, too."""
LINE = 14
"""Height of a line, px."""
APART = ("color", "fill", "shape", "strokeDash")
"""What each view decides for itself, with a legend of its own."""


def captioned(view: Mapping[str, Any], sentences: Iterable[str], left: int) -> dict[str, Any]:
    """The view with sentences beneath, a paragraph each; the text is data, never an expression.

    Parameters
    ----------
    view : Vega-Lite without schema
    sentences : empty ones fall out
    left : of the first panel's frame, where its labels begin, px
    """
    lines = [line for one in sentences for line in textwrap.wrap(plain(one), CHARACTERS, break_on_hyphens=False)]
    if not lines:
        return dict(view)
    text = {
        "data": {"values": [{"line": number, "said": line} for number, line in enumerate(lines)]},
        "width": WIDTH - left,
        "height": LINE * len(lines),
        "view": {"stroke": None},
        "mark": {"type": "text", "align": "left", "baseline": "top", "color": FAINT, "x": -left},
        "encoding": {
            "y": {"field": "line", "type": "quantitative", "axis": None, "scale": {"domain": [len(lines), 0]}},
            "text": {"field": "said", "type": "nominal"},
        },
    }
    return {
        "vconcat": [dict(view), text],
        "spacing": 16,
        "resolve": {"scale": dict.fromkeys(APART, "independent")},
    }


def panel_title(text: str) -> dict[str, Any]:
    """The title of one of several panels, over its frame."""
    return {**PANEL_TITLE, "text": plain(text), "anchor": "start", "frame": "group"}
