"""The report as one HTML file: no script, nothing fetched, its charts inside; for the screen, a phone, and A4 paper."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib.resources import files

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from coilbench_service.charts import drawing
from coilbench_service.charts.chart import Chart
from coilbench_service.report.blocks import Document

MEDIA_TYPE = "text/html"
_HERE = "coilbench_service.report"


@lru_cache(maxsize=1)
def style() -> str:
    """The style sheet within the file."""
    return files(_HERE).joinpath("report.css").read_text("utf-8")


@lru_cache(maxsize=1)
def policy() -> str:
    """What the file may do, by its own word: show this one style and the images it holds, nothing else."""
    found = base64.b64encode(hashlib.sha256(style().encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{found}'; img-src data:; base-uri 'none'; form-action 'none'"


def html(document: Document) -> bytes:
    """The report in UTF-8."""
    text: str = _template().render(document=document, style=Markup(style()), policy=policy())
    return text.encode()


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["drawn"] = _drawn
    return environment.from_string(files(_HERE).joinpath("report.html").read_text("utf-8"))


def _drawn(chart: Chart) -> str:
    """A chart as an address that holds the whole of it."""
    return f"data:image/svg+xml;base64,{base64.b64encode(drawing.svg(chart).encode()).decode()}"
