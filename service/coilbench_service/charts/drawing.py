"""A chart drawn: SVG, PNG or PDF, by vl-convert. No browser, no network, no script that comes with the data.

A process that has drawn must not fork afterwards (the child hangs in the renderer); measuring processes are spawned.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

import vl_convert

from coilbench_service.charts.chart import VERSION, Chart

NOWHERE: list[str] = []
"""Addresses that a drawing may fetch from."""
PIXELS_PER_INCH = 72.0


def svg(chart: Chart) -> str:
    """The chart as SVG 1.1, with its text alternative as `title` and `desc`."""
    drawn: str = vl_convert.vegalite_to_svg(chart.document(), vl_version=VERSION, allowed_base_urls=NOWHERE)
    return _described(drawn, chart)


def png(chart: Chart, scale: float = 2.0) -> bytes:
    """The chart as PNG; `scale` 1 has one pixel for each px of the SVG."""
    drawn: bytes = vl_convert.vegalite_to_png(
        chart.document(), vl_version=VERSION, scale=scale, ppi=PIXELS_PER_INCH, allowed_base_urls=NOWHERE
    )
    return drawn


def pdf(chart: Chart) -> bytes:
    """The chart as a page of PDF of its own size, its type embedded."""
    drawn: bytes = vl_convert.vegalite_to_pdf(chart.document(), vl_version=VERSION, allowed_base_urls=NOWHERE)
    return drawn


def _described(drawn: str, chart: Chart) -> str:
    """SVG that says what it shows (SVG Accessibility API Mappings: role, title, desc)."""
    head, mark, rest = drawn.partition(">")
    names = f"<title>{escape(chart.title)}</title><desc>{escape(chart.alternative)}</desc>"
    return f'{head} role="img"{mark}{names}{rest}'
