"""What a chart is: a name, what it says in words, and its Vega-Lite document with the data inside."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coilbench_service.charts import theme

SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"  # an identifier: nothing is fetched
VERSION = "5.21"
TITLE_SIGNS, NOTE_SIGNS, MOST_LINES = 70, 100, 3
"""Of a line of title and note; what would need more lines ends in an ellipsis."""
NOT_IN_XML = ("\ufffe", "\uffff")


@dataclass(frozen=True)
class Chart:
    """A picture, not drawn yet.

    Parameters
    ----------
    name : of the kind, such as `decay`
    title : heads it, for people
    alternative : what is to be seen, with the figures that matter, for who can't see it; whole sentences
    body : Vega-Lite without schema, title and look; its data inside. No NaN: null
    note : stands under the title: what is left out, what scales are
    """

    name: str
    title: str
    alternative: str
    body: Mapping[str, Any]
    note: str = ""

    def document(self) -> dict[str, Any]:
        """The whole Vega-Lite document, as JSON values."""
        title: dict[str, Any] = {"text": lines(self.title, TITLE_SIGNS), "anchor": "start"}
        if self.note:
            title["subtitle"] = lines(self.note, NOTE_SIGNS)
        return {
            "$schema": SCHEMA,
            "title": title,
            "description": plain(self.alternative),
            "config": theme.CONFIG,
            **self.body,
        }


def plain(text: str) -> str:
    """Text that any drawing can hold: control characters and what XML does not know become spaces."""
    kept = (" " if unicodedata.category(sign) in ("Cc", "Cs") or sign in NOT_IN_XML else sign for sign in text)
    return "".join(kept)


def lines(text: str, signs: int, most: int = MOST_LINES) -> list[str]:
    """Text broken into lines of so many signs; what does not fit into `most` of them ends in an ellipsis."""
    return textwrap.wrap(plain(text), signs, max_lines=most, placeholder=" …") or [""]
