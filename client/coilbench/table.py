"""Tables of what was measured: rows by take or by strum, columns with title and unit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from coilbench.errors import MissingLibrary

if TYPE_CHECKING:
    import pandas

Per = Literal["take", "strum", "pickup"]
Shape = Literal["wide", "long"]
Spread = Literal["all", "none"]
Row = Mapping[str, Any]


@dataclass(frozen=True)
class Column:
    """A column: its key in every row, its title for people, its unit (empty for none)."""

    key: str
    title: str
    unit: str = ""

    @property
    def heading(self) -> str:
        """Title with unit."""
        return f"{self.title} ({self.unit})" if self.unit else self.title


@dataclass(frozen=True)
class Table:
    """Rows with their columns; iterates over the rows.

    Attributes
    ----------
    per : what a row is: take, strum or pickup
    columns : in order
    rows : dictionaries by column key; None where nothing is defined. `reasons` is a dictionary itself: why another
        column has nothing in this row
    """

    per: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)

    @property
    def left_out(self) -> tuple[Row, ...]:
        """What is in none of the means, as take, subject and reason: of a table by pickup; of any other nothing."""
        return ()

    def column(self, key: str) -> list[Any]:
        """The values of one column.

        Parameters
        ----------
        key : of the column

        Raises
        ------
        KeyError : there is no such column
        """
        if key not in {column.key for column in self.columns}:
            raise KeyError(key)
        return [row.get(key) for row in self.rows]

    def of_takes(self, ids: Iterable[str]) -> Table:
        """The rows of some takes only, in the order of these.

        Parameters
        ----------
        ids : of the takes
        """
        rows: dict[str, list[Row]] = {id: [] for id in ids}
        for row in self.rows:
            if row.get("take") in rows:
                rows[row["take"]].append(row)
        return Table(self.per, self.columns, tuple(row for own in rows.values() for row in own))

    def to_pandas(self) -> pandas.DataFrame:
        """The table as a data frame; quantities as numbers, NaN where nothing is defined; reasons as text.

        Raises
        ------
        MissingLibrary : pandas is not installed
        """
        try:
            import pandas
        except ImportError as cause:
            raise MissingLibrary("to_pandas() needs pandas, which is not installed: pip install pandas") from cause
        values = {column.key: self.column(column.key) for column in self.columns}
        if "reasons" in values:
            values["reasons"] = [cell_text(cell) or None for cell in values["reasons"]]
        numbers = {column.key for column in self.columns if column.unit or is_numeric(values[column.key])}
        return pandas.DataFrame(
            {key: pandas.to_numeric(pandas.Series(cells)) if key in numbers else cells for key, cells in values.items()}
        )

    def save(self, path: str | Path) -> Path:
        """Write the table; the extension picks the format: .csv, .xlsx, .json, .jsonl or .parquet.

        Parameters
        ----------
        path : where to; an existing file is replaced once the new one is complete

        Raises
        ------
        UnknownFormat : another extension
        NotSaved : can't be written there
        MissingLibrary : Parquet without pyarrow
        """
        from coilbench.table_files import save

        return save(self, Path(path))


def is_numeric(values: Sequence[Any]) -> bool:
    """Whether a column holds numbers, at least one, and nothing else.

    Parameters
    ----------
    values : of the column, None for empty cells
    """
    found = [value for value in values if value is not None]
    return bool(found) and all(isinstance(value, int | float) and not isinstance(value, bool) for value in found)


def columns_of(documents: Sequence[Mapping[str, Any]]) -> tuple[Column, ...]:
    """Columns from the service's answer.

    Parameters
    ----------
    documents : `{"key", "title", "unit"}` each
    """
    return tuple(
        Column(str(entry["key"]), str(entry.get("title") or entry["key"]), str(entry.get("unit") or ""))
        for entry in documents
    )


def cell_text(value: Any) -> str:
    """A cell that is no number as text: lists joined by semicolons, None as nothing; reasons by column with equal ones
    together, such as `attack_ms, crest_db: the level window is silent`.

    Parameters
    ----------
    value : of a cell
    """
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return "; ".join(cell_text(one) for one in value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        columns: dict[str, list[str]] = {}
        for column, why in value.items():
            columns.setdefault(cell_text(why), []).append(str(column))
        return "; ".join(f"{', '.join(names)}: {why}" for why, names in columns.items())
    return str(value)
