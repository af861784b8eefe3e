"""What a table is asked to show, and the rows that answer it, made one after the other as they are taken."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import IO, Any, Literal

from sqlalchemy import Connection

from coilbench_service.calibrations import Calibrations
from coilbench_service.inheritance import Inheritance
from coilbench_service.table import workbook
from coilbench_service.table.columns import Column, Per, Spread, columns, shown
from coilbench_service.table.long import long_columns, long_rows
from coilbench_service.table.notes import Notes
from coilbench_service.table.pickups import Pickups
from coilbench_service.table.rows import Row, Rows
from coilbench_service.table.workbook_charts import Charts
from coilbench_worker.store import measurements
from coilbench_worker.store.takes import TakeFilter

Shape = Literal["wide", "long"]


@dataclass(frozen=True)
class Question:
    """A table: what a row is of, its shape, the quantities (None: all), whether spread has columns, which takes."""

    per: Per
    shape: Shape = "wide"
    spread: Spread = "all"
    quantities: tuple[str, ...] | None = None
    takes: TakeFilter = field(default_factory=TakeFilter)

    @property
    def name(self) -> str:
        """What the rows are, such as strums; also the name of a file."""
        return f"{self.per}s" if self.shape == "wide" else f"{self.per}s-long"

    def columns(self) -> list[Column]:
        """All columns, whatever the shape."""
        if self.shape == "long":
            return long_columns(self.per, self.spread)
        return columns(self.per, self.quantities, self.spread)

    def shaped(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Wide rows in the shape asked for."""
        return long_rows(self.per, rows, self.quantities) if self.shape == "long" else iter(rows)

    def pickups(self, connection: Connection) -> Pickups:
        """The pickups of the takes, where rows are of these."""
        return Pickups(connection, self.takes, self.quantities)

    def of_takes(
        self, connection: Connection, chosen: TakeFilter, only: Collection[Mapping[str, Any]] | None = None
    ) -> Iterator[Row]:
        """Wide rows of takes or strums.

        Parameters
        ----------
        connection : of `Database.read()`
        chosen : the takes, those of the question or some of them
        only : their descriptions where these are few (`Inheritance`)
        """
        rows = Rows(self.per, self.quantities)
        inheritance, calibrations = Inheritance(connection, only), Calibrations(connection)
        for take, measurement in measurements.each_with_take(connection, chosen):
            yield from rows.of(take, measurement, inheritance.about(take.about), calibrations)

    def rows(self, connection: Connection) -> Iterator[Row]:
        """Every row, read by pages: memory does not grow with their number."""
        if self.per == "pickup":
            return self.shaped(self.pickups(connection).rows())
        return self.shaped(self.of_takes(connection, self.takes))

    def write_workbook(self, connection: Connection, file: IO[bytes]) -> int:
        """Write a spreadsheet with charts, conditions and checks; the number of its rows."""
        means, _ = shown(self.per, self.quantities)
        charts = Charts(self.per, means if self.shape == "wide" else ())
        pickups = self.pickups(connection) if self.per == "pickup" else None
        wide = self.of_takes(connection, self.takes) if pickups is None else pickups.rows()

        def notes() -> Notes:
            left_out = None if pickups is None else {one.take: one.reason for one in pickups.left_out}
            return Notes(connection, self.takes, left_out)

        def seen() -> Iterator[Row]:
            for row in wide:
                charts.see(row)
                yield row

        rows = self.shaped(seen())
        return workbook.write_workbook(file, self.columns(), rows, self.name, charts=charts, notes=notes)
