"""What a report is made of, whatever it is rendered as: sections of paragraphs, lists, tables and pictures. All is
plain text: no rendering may read markup in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from coilbench_service.charts.chart import Chart


@dataclass(frozen=True)
class Paragraph:
    """One paragraph; a `caution` is to be seen before one goes on."""

    text: str
    tone: Literal["plain", "small", "caution"] = "plain"
    kind: Literal["paragraph"] = "paragraph"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]
    kind: Literal["bullets"] = "bullets"


@dataclass(frozen=True)
class Head:
    """The head of a column; numbers stand to the right and are never broken; `width` is its share of the line."""

    text: str
    number: bool = False
    width: float = 1.0


@dataclass(frozen=True)
class Table:
    """A table; the first cell of a row is its head.

    Parameters
    ----------
    caption : what it shows, for those who see it and those who don't
    heads : of the columns
    rows : as many cells each as there are heads
    code : columns, from 0, that hold hashes and the like
    """

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    code: tuple[int, ...] = ()
    kind: Literal["table"] = "table"

    def __post_init__(self) -> None:
        if any(len(row) != len(self.heads) for row in self.rows):
            raise ValueError(f"the table {self.caption!r} has a row that does not fit its {len(self.heads)} heads")


@dataclass(frozen=True)
class Picture:
    """A chart with a sentence on how it is read; its own words stand in for it where it can't be seen. `number` counts
    the pictures of a report from 1.
    """

    chart: Chart
    reading: str
    number: int
    kind: Literal["picture"] = "picture"


Block = Paragraph | Bullets | Table | Picture


@dataclass(frozen=True)
class Part:
    """A part within a section."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Section:
    """A section: blocks, then parts with titles of their own. `anchor` is its place within the document."""

    anchor: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class Document:
    """A whole report.

    Parameters
    ----------
    title : of the document
    subtitle : when it was made, and by what
    made : RFC 3339, UTC
    sections : in their order
    """

    title: str
    subtitle: str
    made: str
    sections: tuple[Section, ...] = field(default=())
