"""The look of all charts: legible in print, in grey, and for those who tell few colours apart.

Colours are those of Okabe and Ito ("Color universal design", 2008), told apart with every common colour vision, in an
order that also falls apart in grey. No meaning hangs on colour alone: series differ in sign or dash, too.
"""

from __future__ import annotations

from typing import Any

INK, FAINT, GRID, PAPER = "#1a1a1a", "#5c5c5c", "#dcdcdc", "#ffffff"
SHADE, SHADE_DARK = "#f0f0f0", "#d8d8d8"
"""Behind what is drawn: stretches of time, ranges of frequency."""
SERIES = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#1a1a1a", "#8a7a00")
SIGNS = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right", "triangle-left")
DASHES = ((1, 0), (6, 3), (2, 2), (8, 3, 2, 3), (4, 4), (10, 4), (1, 3), (6, 2, 1, 2))
WIDTH = 640
"""Of a single panel, px; every chart fits a page of A4 at its size."""
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
"""The first comes with the renderer, the next two have its widths; there is room for wider ones of a browser."""
PLAIN_NUMBER = ".4~f"
"""Of axes: 3600 and not 3,600; 0.25 and neither 0.3 nor 0.2500."""

CONFIG: dict[str, Any] = {
    "background": PAPER,
    "font": FONT,
    "padding": 18,
    "aria": False,
    "view": {"stroke": GRID},
    "title": {
        "color": INK,
        "fontSize": 15,
        "fontWeight": "bold",
        "anchor": "start",
        "offset": 10,
        "limit": 740,
        "subtitleColor": INK,
        "subtitleFontSize": 12,
        "subtitleLineHeight": 15,
        "subtitlePadding": 5,
    },
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 11,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": GRID,
        "domainColor": FAINT,
        "tickColor": FAINT,
        "labelLimit": 220,
    },
    "legend": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 11,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "titlePadding": 14,
        "columnPadding": 36,
        "labelLimit": 260,
        "titleLimit": 300,
        "symbolSize": 80,
    },
    "concat": {"spacing": 8},
    "header": {"labelColor": INK, "labelFontSize": 12, "labelFontWeight": "bold", "labelAnchor": "start"},
    "line": {"strokeWidth": 1.8},
    "text": {"color": INK, "fontSize": 11},
    "range": {"category": list(SERIES), "symbol": list(SIGNS)},
    "mark": {"tooltip": None},
}

PANEL_TITLE: dict[str, Any] = {"fontSize": 12, "fontWeight": "normal", "offset": 5, "limit": WIDTH}
"""Of one panel among several."""
