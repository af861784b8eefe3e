"""What a chart is: a name, what it says in words, and its Vega-Lite document with the data inside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coilbench_service.charts import theme

SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"  # an identifier: nothing is fetched
VERSION = "5.21"


@dataclass(frozen=True)
class Chart:
    """A picture, not drawn yet.

    Parameters
    ----------
    name : of the kind, such as `decay`
    title : heads it, for people
    alternative : what is to be seen, with the figures that matter, for who can't see it; whole sentences
    body : Vega-Lite without schema, title and look; its data inside. No NaN: null
    """

    name: str
    title: str
    alternative: str
    body: Mapping[str, Any]

    def document(self) -> dict[str, Any]:
        """The whole Vega-Lite document, as JSON values."""
        return {
            "$schema": SCHEMA,
            "title": {"text": self.title, "anchor": "start"},
            "description": self.alternative,
            "config": theme.CONFIG,
            **self.body,
        }
