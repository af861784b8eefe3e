"""The rows of a table by pickup: what its sheet says, the means of its takes with intervals, what was left out and why.

Takes count as in comparisons (`evidence.Reader`), levels stand on the full scale of the first take that counts, and the
take is the independent unit (`pickup_mean`). A row also knows, beside its columns, how many takes each mean rests on
(`columns.COUNT`). One pickup after the other is read, of each take only the numbers asked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import fsum
from typing import Any

from sqlalchemy import Connection

from coilbench_service.evidence import LEVELS, VOLTAGES, LeftOut, Reader, Witness, values_of
from coilbench_service.table import reasons
from coilbench_service.table.columns import COUNT, SHEET, UNCERTAINTY, Column, Series, Spread, columns, shown
from coilbench_service.table.rows import Row, with_said_reasons
from coilbench_worker.compare.gains import moved, tie
from coilbench_worker.compare.observations import Subject, TakeValues, Tie
from coilbench_worker.compare.pickup_mean import PickupMean, pickup_mean
from coilbench_worker.compare.pickup_value import EVENNESS, EVENNESS_OF, pickup_value
from coilbench_worker.measure.calibration import CalibrationState
from coilbench_worker.measure.uncertainty import expanded_mean
from coilbench_worker.store import pickups, takes
from coilbench_worker.store.takes import TakeFilter

NO_TAKE = "no take of it can carry a comparison"
ONE_TAKE = "of one take alone: the interval is that of its strums"
POOLED = "strums about their take's mean, all takes together; a scatter has no interval of a mean"
MAINS = "hum_hz"
"""Not averaged: between 50 and 60 Hz there is no mains."""
MAINS_APART = "its takes differ: {} Hz"
LEVELS_APART = "levels can't be brought to one full scale with the table's others: {}"
CALIBRATIONS_APART = "its takes rest on more than one calibration: no uncertainty in mV can be given"


def pickup_rows(
    connection: Connection, chosen: TakeFilter, quantities: Collection[str] | None = None, spread: Spread = "all"
) -> tuple[list[Column], Iterator[Row]]:
    """The table by pickup: its columns, and its rows in the order of the keys, each made as it is asked for.

    Parameters
    ----------
    connection : of `Database.read()`; must stay open until the last row was taken
    chosen : the takes
    quantities : keys or flat keys (`columns.names`); None means all
    spread : whether standard deviation and interval have columns
    """
    return columns("pickup", quantities, spread), Pickups(connection, chosen, quantities).rows()


@dataclass(frozen=True)
class _Part:
    """One take that counts: its numbers as measured, and why others are not there."""

    id: str
    values: TakeValues
    state: CalibrationState
    strums: int
    checks: tuple[str, ...]
    whys: Mapping[str, list[str]]


class Pickups:
    """Pickups of the takes of a filter, by one state of the database.

    Parameters
    ----------
    connection, chosen, quantities : as for `pickup_rows`

    Attributes
    ----------
    keys : in the order of the rows
    nameless : how many takes name no pickup and are in no row
    left_out : of the pickups whose rows were made so far
    """

    def __init__(self, connection: Connection, chosen: TakeFilter, quantities: Collection[str] | None = None) -> None:
        self._connection = connection
        self._chosen = chosen
        self._series, _ = shown("pickup", quantities)
        self._needed = {EVENNESS_OF, *(one.column for one in self._series)}
        self._reader = Reader(connection)
        named = takes.pickups_of(connection, chosen)
        self.keys = sorted(key for key in named if key is not None)
        self.nameless = named.get(None, 0)
        self.left_out: list[LeftOut] = []
        self._reference: CalibrationState | None = None

    def rows(self, after: str | None = None, limit: int | None = None) -> Iterator[Row]:
        """The rows, one for each pickup, also for one without a take that counts.

        Parameters
        ----------
        after : key after which to begin
        limit : rows at most
        """
        wanted = [key for key in self.keys if after is None or key > after][:limit]
        sheets = pickups.by_key(self._connection, wanted)
        for key in wanted:
            self._find_reference(key)
            parts, left_out = self._parts(key)
            if self._reference is None and parts:
                self._reference = _of_reference(parts)
            self.left_out += left_out
            sheet = sheets[key].sheet if key in sheets else {}
            yield with_said_reasons(self._row(key, sheet, parts, left_out), self._reader.calibrations)

    def _find_reference(self, before: str) -> None:
        """Look for the take that levels stand on among pickups before this one, where a page begins later."""
        for key in self.keys:
            if self._reference is not None or key >= before:
                return
            parts, _ = self._parts(key)
            if parts:
                self._reference = _of_reference(parts)

    def _parts(self, key: str) -> tuple[list[_Part], list[LeftOut]]:
        return self._reader.taking_part(key, replace(self._chosen, pickup=key), self._part)

    def _part(self, take: Witness) -> _Part:
        document = take.document
        single = {**document["take_quantities"], **document["noise"]}
        whys: dict[str, list[str]] = {}
        for one in self._series:
            if one.quantity.of == "strum":
                whys[one.column] = reasons.whys_of(document["strums"], one)
            elif single.get(one.quantity.key) is None and one.column in document["reasons"]:
                whys[one.column] = [document["reasons"][one.column]]
        return _Part(
            take.id,
            values_of(take, take, self._needed),
            take.state,
            len(document["strums"]),
            tuple(dict.fromkeys(check["code"] for check in document["checks"])),
            {column: found for column, found in whys.items() if found},
        )

    def _row(self, key: str, sheet: Mapping[str, Any], parts: list[_Part], left_out: list[LeftOut]) -> Row:
        row: Row = {"pickup": key, **{column.key: sheet.get(column.key) for column in SHEET}}
        strums = sum(part.strums for part in parts)
        row |= {"takes": len(parts), "strums": strums, "left_out": len(left_out), "left_out_why": _why(left_out)}
        if not parts or self._reference is None:
            return {**row, "reasons": {one.quantity.key: NO_TAKE for one in self._series}}
        if strums > 1:
            row["interval_from"] = "takes" if len(parts) > 1 else "strums"
        row["checks"] = ", ".join(dict.fromkeys(code for part in parts for code in part.checks)) or None
        levels = tie([self._reference], [part.state for part in parts])
        if any(one.column in LEVELS for one in self._series):
            row |= {"levels_at_gain_db": self._reference.input_gain_db, "assumes": levels.assumes}
        subject = Subject(key, tuple(_moved(part, self._reference) for part in parts))
        found: dict[str, str] = {}
        for one in self._series:
            why = self._fill(row, subject, one, parts, levels)
            if why is not None:
                found[one.column] = why
        row["reasons"] = reasons.gathered(self._series, found)
        return row

    def _fill(self, row: Row, subject: Subject, one: Series, parts: list[_Part], levels: Tie) -> str | None:
        """Put one number with its spread into the row; why it is not there, or only in part."""
        level = one.column in LEVELS
        if level and levels.withheld:
            return LEVELS_APART.format(levels.withheld)
        values = subject.of(one.column)
        why = _partly(one, values, parts)
        if not values:
            return why
        row[one.column + COUNT] = len(values)
        if one.column == EVENNESS:
            row[one.column] = pickup_value(subject, EVENNESS)
            return why or POOLED
        if one.column == MAINS and len(found := sorted({value for take in values for value in take})) > 1:
            return MAINS_APART.format(" and ".join(f"{value:g}" for value in found))
        mean = pickup_mean(values, levels if level else None)
        row[one.column] = mean.mean
        row |= {one.column + end: getattr(mean, end[1:]) for end in ("_sd", "_low", "_high")}
        said = [why, _of_interval(mean, one, len(parts))]
        if one.column in VOLTAGES:
            said.append(_add_uncertainty(row, one, mean, values, parts))
        return "; ".join(text for text in said if text) or None


def _of_reference(parts: Sequence[_Part]) -> CalibrationState:
    """What levels stand on: the first take that states its gain, else the first."""
    return next((part.state for part in parts if part.state.input_gain_db is not None), parts[0].state)


def _moved(part: _Part, reference: CalibrationState) -> TakeValues:
    """The take with its levels on the full scale of the reference; without them where they can't be."""
    shift = moved(part.state, reference)
    if shift.shift_db == 0.0 and not shift.withheld:
        return part.values
    shifted = {
        column: () if shift.withheld else tuple(value + shift.shift_db for value in values)
        for column, values in part.values.values.items()
        if column in LEVELS
    }
    return TakeValues(part.id, {**part.values.values, **shifted})


def _partly(one: Series, values: tuple[tuple[float, ...], ...], parts: list[_Part]) -> str | None:
    whys = [why for part in parts for why in part.whys.get(one.column, ())]
    if one.quantity.of == "strum":
        return reasons.of_mean(whys, sum(map(len, values)), sum(part.strums for part in parts))
    return reasons.of_mean(whys, len(values), len(parts), "takes")


def _of_interval(mean: PickupMean, one: Series, takes: int) -> str | None:
    """What is to be said of an interval that does not rest on what the row says, or is not there."""
    if mean.withheld and takes > 1:
        return mean.withheld
    return ONE_TAKE if takes > 1 and mean.takes == 1 and one.quantity.of == "strum" else None


def _add_uncertainty(
    row: Row, one: Series, mean: PickupMean, values: tuple[tuple[float, ...], ...], parts: list[_Part]
) -> str | None:
    """Give the mean of millivolts its expanded uncertainty where one calibration stands behind it; else why not."""
    calibrations = [part.state.calibration for part in parts]
    first = calibrations[0]
    if first is None or any(other != first for other in calibrations):
        return CALIBRATIONS_APART
    units = [fsum(take) / len(take) for take in values] if mean.rests_on == "takes" else list(values[0])
    found = expanded_mean(units, first.budget)
    if found is not None:  # more uncertainty must not read as less: of few takes the effective degrees grow fast
        half = 0.0 if mean.high is None else mean.high - mean.mean
        row[one.column + UNCERTAINTY[0]] = max(found.expanded_uncertainty, half)
    return None


def _why(left_out: list[LeftOut]) -> str | None:
    """Equal reasons together, with how many takes each holds for."""
    counts = Counter(one.reason for one in left_out)
    return "; ".join(f"{number} x {why}" if number > 1 else why for why, number in counts.items()) or None
