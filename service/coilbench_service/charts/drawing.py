"""A chart drawn: SVG, PNG or PDF. No browser, no network, no script that comes with the data.

Drawn in a process of its own (`drawer`), as the renderer lets no other thread run meanwhile.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from coilbench_service.charts.chart import Chart, plain
from coilbench_service.charts.drawer import drawer


def svg(chart: Chart) -> str:
    """The chart as SVG 1.1, with its text alternative as `title` and `desc`; the same chart gives the same text.

    Raises
    ------
    DrawingFailed : also DrawingBusy, when too many others wait
    """
    return _described(drawer().draw("svg", chart.document()).decode(), chart)


def png(chart: Chart, scale: float = 2.0) -> bytes:
    """The chart as PNG; `scale` 1 has one pixel for each px of the SVG. Raises as `svg`."""
    return drawer().draw("png", chart.document(), scale)


def pdf(chart: Chart) -> bytes:
    """The chart as a page of PDF of its own size, its type embedded. Raises as `svg`."""
    return drawer().draw("pdf", chart.document())


def _described(drawn: str, chart: Chart) -> str:
    """SVG that says what it shows (SVG Accessibility API Mappings: role, title, desc)."""
    head, mark, rest = drawn.partition(">")
    names = f"<title>{escape(plain(chart.title))}</title><desc>{escape(plain(chart.alternative))}</desc>"
    return f'{head} role="img"{mark}{names}{rest}'
