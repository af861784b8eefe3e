"""The rows of a table by take or strum: flat dictionaries by column key; what is not known or not measured is None.

A row of a take also knows, beside its columns, how many strums each mean rests on (`columns.COUNT`).

Only `reasons` is a dictionary itself, by column; CSV and spreadsheets show it as text. It says nothing of millivolts
while the service has no chain: who never calibrated anything would read it in every row.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from coilbench_service.calibrations import Calibrations
from coilbench_service.measurement_view import measurement_view
from coilbench_service.table import reasons
from coilbench_service.table.columns import COUNT, Per, Series, series, spread_of
from coilbench_worker.measure.calibration import NO_CHAIN
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.takes import TakeRecord

Row = dict[str, Any]


class Rows:
    """Makes rows out of takes.

    Parameters
    ----------
    per : one row for every strum, or for every take; rows of pickups are made in `pickups`
    chosen : quantities to show, keys or flat keys; None means all
    """

    def __init__(self, per: Per, chosen: Collection[str] | None = None) -> None:
        self._per = per
        self._strum = list(series(("strum",), chosen))
        self._take = list(series(("take",), chosen))
        self._noise = list(series(("noise",), chosen))

    def of(
        self,
        take: TakeRecord,
        measurement: MeasurementRecord | None,
        about: Mapping[str, Any],
        calibrations: Calibrations,
    ) -> Iterator[Row]:
        """The rows of one take: none per strum when it has no measurement, always one per take.

        Parameters
        ----------
        about : the description that holds for the take, inherited fields included (`Inheritance.about`)
        """
        document = None
        if measurement is not None:
            document = measurement_view(take, measurement, about, calibrations.of(about))
        known = _known(take, about)
        if self._per == "take":
            yield with_said_reasons(self._take_row(take, known, document), calibrations)
        elif document is not None:
            for strum in document["strums"]:
                yield with_said_reasons(self._strum_row(known, document, strum), calibrations)

    def _strum_row(self, known: Row, document: Mapping[str, Any], strum: Mapping[str, Any]) -> Row:
        return {
            **known,
            **_judged(document, strum["number"]),
            "strum": strum["number"],
            "onset_s": strum["onset_s"],
            "end_s": strum["end_s"],
            "ended_by": strum["ended_by"],
            **{one.column: _number(strum if one.part else strum["quantities"], one) for one in self._strum},
            "reasons": reasons.of_strum(strum, self._strum),
        }

    def _take_row(self, take: TakeRecord, known: Row, document: Mapping[str, Any] | None) -> Row:
        row = {**known, "state": take.state, "problem": (take.problem or {}).get("title")}
        if document is None:
            return row
        row |= {**_judged(document, None), "strums": len(document["strums"])}
        for one in self._strum:
            summary = _number(document["summary"], one) or {}
            row[one.column] = summary.get("mean")
            row[one.column + COUNT] = summary.get("n")
            for end, field, _ in spread_of(one):
                row[one.column + end] = summary.get(field)
        row |= {one.column: _number(document["take_quantities"], one) for one in self._take}
        row |= {one.column: _number(document["noise"], one) for one in self._noise}
        row["reasons"] = reasons.of_take(document, self._strum, [*self._take, *self._noise])
        return row


def with_said_reasons(row: Row, calibrations: Calibrations) -> Row:
    """The row without what every row would say of millivolts while there is no chain that a take could name."""
    said = row.get("reasons") or {}
    if NO_CHAIN in said.values() and not calibrations.any_chain():
        said = {column: why for column, why in said.items() if why != NO_CHAIN}
    return {**row, "reasons": said or None}


def _known(take: TakeRecord, about: Mapping[str, Any]) -> Row:
    fields = ("label", "session", "pickup", "chain", "guitar", "position")
    return {"take": take.id, "file": take.file_name, **{name: about.get(name) for name in fields}}


def _judged(document: Mapping[str, Any], strum: int | None) -> Row:
    """Usable, the checks (per strum those of this strum and those of the whole take), what millivolts rest on."""
    codes = [
        check["code"]
        for check in document["checks"]
        if strum is None or not check.get("strums") or strum in check["strums"]
    ]
    return {
        "usable": document["usable"],
        "checks": ", ".join(dict.fromkeys(codes)) or None,
        "calibration": (document["calibration"] or {}).get("by"),
    }


def _number(values: Mapping[str, Any], one: Series) -> Any:
    found = values.get(one.quantity.key)
    return found if one.part is None else (found or {}).get(one.part)
