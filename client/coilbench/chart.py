"""Charts as the service draws them, and the kinds that there are."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coilbench.answer import USUAL_WIDTH
from coilbench.extension import form_for
from coilbench.page import Page
from coilbench.whole_file import write_whole

FORMS = {".svg": "image/svg+xml", ".png": "image/png", ".json": "application/json"}
"""Media types by the extension of the file."""
SCALE = 2.0

Fetch = Callable[[Path, str, float], Path]
"""Fetches a form of a chart into a file: path, media type, scale."""


@dataclass(frozen=True)
class AskedFor:
    """One thing that a chart is asked with: its name in the address, what it is, whether it must be and may repeat."""

    name: str
    says: str
    required: bool
    repeated: bool


@dataclass(frozen=True)
class ChartKind:
    """A kind of chart.

    Attributes
    ----------
    name : such as decay; a chart of one take and one of several pickups may share it
    shows : in words
    address : with {take_id} in it for charts of one take
    subjects : under which names pickups or takes go, in order; the last takes the rest where it may repeat
    asks : all that it may be asked with
    """

    name: str
    shows: str
    address: str
    subjects: tuple[str, ...]
    asks: tuple[AskedFor, ...]

    @property
    def of_one_take(self) -> bool:
        """Whether it shows one take."""
        return "{take_id}" in self.address

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> ChartKind:
        """Read an entry; KeyError, TypeError or ValueError when it is none."""
        asks = (
            AskedFor(str(one["name"]), str(one["says"]), bool(one["required"]), bool(one["repeated"]))
            for one in document["asks"]
        )
        return cls(
            name=str(document["name"]),
            shows=str(document["shows"]),
            address=str(document["address"]),
            subjects=tuple(str(one) for one in document["subjects"]),
            asks=tuple(asks),
        )


@dataclass(frozen=True)
class Chart:
    """A chart: its words at once, its picture when it is saved. `str()` of it is title and alternative.

    Attributes
    ----------
    name : of its kind
    title : heads it
    alternative : what is to be seen, with the figures that matter, for who can't see it
    document : its Vega-Lite document, data inside
    """

    name: str
    title: str
    alternative: str
    document: Mapping[str, Any] = field(repr=False)
    _fetch: Fetch = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, name: str, document: Mapping[str, Any], fetch: Fetch) -> Chart:
        """Read an answer; KeyError, TypeError or ValueError when it is none."""
        title = document["title"]["text"]
        text = title if isinstance(title, str) else " ".join(str(line) for line in title)
        return cls(name, text, str(document["description"]), document, fetch)

    def __str__(self) -> str:
        return str(self.page())

    def page(self, width: int = USUAL_WIDTH) -> Page:
        """Title and alternative as text.

        Parameters
        ----------
        width : characters of a line
        """
        page = Page(width)
        page.heading(self.title)
        page.sentence(self.alternative)
        return page

    def save(self, path: str | Path, scale: float = SCALE) -> Path:
        """Write the chart; the extension picks the form: .svg, .png, or .json for its document.

        Parameters
        ----------
        path : where to; an existing file is replaced once the new one is complete
        scale : of .png: pixels for each px of the .svg, 0.5 to 4

        Raises
        ------
        UnknownFormat : another extension
        NotSaved : can't be written there
        Unprocessable : a scale out of range
        """
        target = Path(path)
        media_type = form_for(target, FORMS, "a chart")
        if target.suffix.lower() != ".json":
            return self._fetch(target, media_type, scale)
        text = json.dumps(dict(self.document), ensure_ascii=False, indent=1) + "\n"
        return write_whole(target, lambda partial: partial.write_text(text, encoding="utf-8"))
