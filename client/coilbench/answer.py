"""What answers to questions about the measured takes have in common: rows, tables, files, text."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilbench.page import Page
from coilbench.table import Column, Row, Table

if TYPE_CHECKING:
    import pandas

USUAL_WIDTH = 100
"""Characters of a line in `str()`."""


class Answer(ABC):
    """An answer of the service. `str()` of it is for reading; `document` is the whole of it as it was sent."""

    document: Mapping[str, Any]

    @abstractmethod
    def tables(self) -> dict[str, Table]:
        """The answer as tables by name, the one that matters most first."""

    @abstractmethod
    def page(self, width: int = USUAL_WIDTH) -> Page:
        """The answer as text.

        Parameters
        ----------
        width : characters of a line
        """

    def __str__(self) -> str:
        return str(self.page())

    def to_rows(self) -> list[dict[str, Any]]:
        """The rows of the first table, each a dictionary."""
        return [dict(row) for row in self._first().rows]

    def to_pandas(self) -> pandas.DataFrame:
        """The first table as a data frame; numbers as numbers, NaN where nothing is defined.

        Raises
        ------
        MissingLibrary : pandas is not installed
        """
        return self._first().to_pandas()

    def save(self, path: str | Path) -> Path:
        """Write the answer; the extension picks the format.

        .csv has the first table, .xlsx a sheet for each table, .json all of it as the service sent it.

        Parameters
        ----------
        path : where to; an existing file is replaced once the new one is complete

        Raises
        ------
        UnknownFormat : another extension
        NotSaved : can't be written there
        """
        from coilbench.table_files import save_answer

        return save_answer(self.tables(), self.document, Path(path))

    def _first(self) -> Table:
        return next(iter(self.tables().values()))


def table_of_rows(rows: Iterable[Row], columns: Sequence[Column]) -> Table:
    """A table of rows that are no takes.

    Parameters
    ----------
    rows : by column key
    columns : in order
    """
    return Table("row", tuple(columns), tuple(rows))


def sentences(texts: Iterable[str], key: str, title: str) -> Table:
    """A table of one column of sentences.

    Parameters
    ----------
    texts : a row each
    key, title : of the column
    """
    return table_of_rows([{key: text} for text in texts], [Column(key, title)])


def number(value: Any) -> float | None:
    """A number of an answer, or None.

    Raises
    ------
    TypeError, ValueError : neither
    """
    return None if value is None else float(value)


def whole(value: Any) -> int | None:
    """A whole number of an answer, or None.

    Raises
    ------
    TypeError, ValueError : neither
    """
    return None if value is None else int(value)


def text(value: Any) -> str | None:
    """A text of an answer, or None where it is null or empty."""
    return None if value is None or value == "" else str(value)
