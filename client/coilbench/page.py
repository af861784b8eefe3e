"""Answers as plain text of a given width: headings, columns, sentences. All is in the words, nothing in colours."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from textwrap import wrap

NARROWEST = 60
GAP = 2
"""Spaces between columns."""
LEAST_ROOM = 12
"""Characters that a last column gets, be the others ever so wide."""
INDENT = "  "


@dataclass(frozen=True)
class Line:
    """One line, and whether it is a heading."""

    text: str
    heading: bool = False


class Page:
    """Lines that are no wider than asked for, as far as single words allow.

    Parameters
    ----------
    width : characters
    """

    def __init__(self, width: int) -> None:
        self.width = max(NARROWEST, width)
        self._lines: list[Line] = []

    def __iter__(self) -> Iterator[Line]:
        return iter(self._lines)

    def __str__(self) -> str:
        return "\n".join(line.text for line in self._lines)

    def heading(self, text: str) -> None:
        """A heading, after an empty line unless it is the first."""
        if self._lines:
            self._lines.append(Line(""))
        self._lines += [Line(part, heading=True) for part in wrap(text, self.width) or [""]]

    def line(self, text: str) -> None:
        """A line as it is, without spaces at its end."""
        self._lines.append(Line(text.rstrip()))

    def sentence(self, text: str, indent: str = "", *, hanging: str | None = None) -> None:
        """Running text, broken at spaces.

        Parameters
        ----------
        text : any length
        indent : begin of the first line
        hanging : begin of the others; `indent` by default
        """
        further = indent if hanging is None else hanging
        for part in wrap(text, self.width, initial_indent=indent, subsequent_indent=further, break_on_hyphens=False):
            self.line(part)

    def columns(self, rows: Sequence[Sequence[str]], *, right: Collection[int] = (), head: bool = False) -> None:
        """Rows in columns; the last column is broken where it is too long.

        Parameters
        ----------
        rows : texts, as many in each
        right : numbers of the columns that are set to the right
        head : whether the first row is a heading
        """
        for number, lines in enumerate(set_rows(rows, self.width, right)):
            self._lines += [Line(text, heading=head and number == 0) for text in lines]


def set_rows(rows: Sequence[Sequence[str]], width: int, right: Collection[int] = ()) -> list[list[str]]:
    """The lines of each row; the last column is broken where it is too long.

    Parameters
    ----------
    rows : texts, as many in each
    width : characters of a line
    right : numbers of the columns that are set to the right
    """
    widths = widths_of(rows)
    found = []
    for row in rows:
        cells = [
            text.rjust(wide) if place in right else text.ljust(wide)
            for place, (text, wide) in enumerate(zip(row, widths, strict=True))
        ]
        begin = "".join(cell + " " * GAP for cell in cells[:-1])
        last = wrap(row[-1], max(LEAST_ROOM, width - len(begin)), break_on_hyphens=False)
        if len(last) <= 1:
            last = [cells[-1]]
        lines = [begin + last[0], *(" " * len(begin) + part for part in last[1:])]
        found.append([line.rstrip() for line in lines])
    return found


def widths_of(rows: Sequence[Sequence[str]]) -> list[int]:
    """The width of each column: its longest text.

    Parameters
    ----------
    rows : texts, as many in each
    """
    return [max(map(len, column)) for column in zip(*rows, strict=True)] if rows else []


def taken(rows: Sequence[Sequence[str]]) -> int:
    """Characters that rows take in columns.

    Parameters
    ----------
    rows : texts, as many in each
    """
    widths = widths_of(rows)
    return sum(widths) + GAP * max(0, len(widths) - 1)


def counted(number: int, one: str, several: str | None = None) -> str:
    """A number with its noun: `1 take`, `2 takes`.

    Parameters
    ----------
    number : how many
    one, several : the noun; several is `one` with an s by default
    """
    return f"{number} {one if number == 1 else several or one + 's'}"
