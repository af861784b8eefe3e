"""The report as PDF on A4, tagged for those who can't see it.

All content goes to the template as data, never as markup, and the template fetches nothing. Fonts that come with the
typesetter are used first; a character that they lack is taken from the fonts of this machine, and is a box where these
lack it too. Such a report is not PDF/UA, every other one is.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from functools import lru_cache
from importlib.resources import files
from typing import Any

import typst

from coilbench_service.charts import drawing
from coilbench_service.report.blocks import Block, Document, Picture

MEDIA_TYPE = "application/pdf"
ACCESSIBLE = "ua-1"
"""PDF/UA-1 (ISO 14289-1)."""
BYTE_ORDER_MARK = "\ufeff"
"""Not to be seen, and PDF/UA may not hold it."""
MM_PER_PX = 25.4 / 96.0
FAMILY = "Libertinus Serif"
"""Of charts, in place of theirs: it is here on every machine, and no wider than theirs, so nothing is cut."""
_FAMILY = re.compile(r'font-family="[^"]*"')
_SIDE = r'<svg[^>]*\s{}="([\d.]+)"'
MOST_MM = (162.0, 228.0)
"""Width and height of a picture on a page, its caption beneath."""


def pdf(document: Document) -> bytes:
    """The report; the same document gives the same bytes."""
    text = json.dumps(_data(document), ensure_ascii=False, allow_nan=False).replace(BYTE_ORDER_MARK, "")
    try:
        return _compiled(text, document.made, [ACCESSIBLE])
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise
        return _compiled(text, document.made, [])


def _compiled(text: str, made: str, standards: list[Any]) -> bytes:
    return typst.compile(
        _template(),
        sys_inputs={"report": text},
        pdf_standards=standards,
        timestamp=datetime.fromisoformat(made),
        format="pdf",
    )


@lru_cache(maxsize=1)
def _template() -> bytes:
    return files("coilbench_service.report").joinpath("report.typ").read_bytes()


def _data(document: Document) -> Mapping[str, Any]:
    return {
        "title": document.title,
        "subtitle": document.subtitle,
        "sections": [
            {
                "title": section.title,
                "blocks": [_block(one) for one in section.blocks],
                "parts": [
                    {"title": part.title, "blocks": [_block(one) for one in part.blocks]} for part in section.parts
                ],
            }
            for section in document.sections
        ],
    }


def _block(one: Block) -> Mapping[str, Any]:
    if not isinstance(one, Picture):
        return asdict(one)
    drawn = _FAMILY.sub(f'font-family="{FAMILY}"', drawing.svg(one.chart))
    return {
        "kind": one.kind,
        "number": one.number,
        "reading": one.reading,
        "alternative": one.chart.alternative,
        "drawn": drawn,
        "width_mm": _width_mm(drawn),
    }


def _width_mm(drawn: str) -> float:
    """The width that it has by itself, or the one with which it fits a page."""
    sides = [re.search(_SIDE.format(side), drawn) for side in ("width", "height")]
    width, height = (float(side[1]) * MM_PER_PX if side else most for side, most in zip(sides, MOST_MM, strict=True))
    return width * min(1.0, MOST_MM[0] / width, MOST_MM[1] / height)
