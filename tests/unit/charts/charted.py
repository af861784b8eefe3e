"""What stands in a chart's document and in its drawing."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import Any

from coilbench_service.charts import drawing
from coilbench_service.charts.chart import Chart


def rows(chart: Chart, *fields: str) -> list[tuple[Any, ...]]:
    """These fields of every row of data that has them all, in the order of the document."""
    document = json.loads(json.dumps(chart.document(), allow_nan=False))
    found = [row for values in _data(document) for row in values]
    return [tuple(row[field] for field in fields) for row in found if all(field in row for field in fields)]


def words(chart: Chart) -> str:
    """All text of the SVG, without the text alternative."""
    root = ET.fromstring(drawing.svg(chart))
    texts = (" ".join(one.itertext()) for one in root.iter("{http://www.w3.org/2000/svg}text"))
    return "\n".join(texts)


def _data(node: Any) -> Iterator[list[Any]]:
    if isinstance(node, list):
        for one in node:
            yield from _data(one)
    elif isinstance(node, dict):
        for name, one in node.items():
            if name == "data":
                yield one["values"]
            else:
                yield from _data(one)
