"""What stands behind a table: the conditions that its takes were recorded under, and what the checks said of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection

from coilbench_service.about import About
from coilbench_service.calibrations import Calibrations
from coilbench_service.conditions import CONDITIONS
from coilbench_service.inheritance import Inheritance
from coilbench_service.json_document import rfc3339
from coilbench_service.measurement_view import measurement_view
from coilbench_service.table.columns import Column
from coilbench_service.table.rows import Row
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.store import measurements, sessions
from coilbench_worker.store.takes import TakeFilter

_UNITS = {"input_gain_db": "dB", "battery_v": "V"}
_LEFT_OUT = Column("left_out_why", "Why the take is in no mean")


def condition_columns(*, left_out: bool) -> list[Column]:
    """What is told of every take.

    Parameters
    ----------
    left_out : whether some takes are in no mean, and it is to be said why
    """
    fields = [
        Column(
            name,
            (About.model_fields[name].description or name).partition(",")[0],
            _UNITS.get(name),
            1 if name in _UNITS else None,
            "number" if name in _UNITS else "text",
        )
        for name in CONDITIONS
    ]
    return [
        Column("take", "Take"),
        Column("file", "File"),
        Column("label", "Label"),
        Column("pickup", "Pickup"),
        Column("state", "State"),
        *([_LEFT_OUT] if left_out else ()),
        *fields,
        Column("date", "Date of the session"),
        Column("extra", "Conditions of one's own"),
        Column("checks", "What the checks found"),
        Column("measured", "When it was measured, UTC"),
        Column("version", "Version of the measuring code"),
        Column("sample_rate_hz", "Sample rate", "Hz", 0, "whole"),
    ]


CHECK_COLUMNS = (
    Column("check", "Check"),
    Column("takes", "Takes in which it spoke up", kind="whole"),
    Column("severities", "How bad it may be"),
    Column("title", "Title"),
    Column("meaning", "What it means"),
    Column("advice", "What to do"),
)


class Notes:
    """The takes of a table, read once more by pages.

    Parameters
    ----------
    connection : of `Database.read()`; must stay open until the last was taken
    chosen : the takes
    left_out : for takes that are in no mean, why; None where there are no means over takes
    """

    def __init__(self, connection: Connection, chosen: TakeFilter, left_out: Mapping[str, str] | None = None) -> None:
        self._connection = connection
        self._chosen = chosen
        self._left_out = left_out
        self._counts: Counter[str] = Counter()
        self.columns = condition_columns(left_out=left_out is not None)

    def conditions(self) -> Iterator[Row]:
        """A row for each take, under `columns`."""
        inheritance, calibrations = Inheritance(self._connection), Calibrations(self._connection)
        dates = {key: one.sheet.get("date") for key, one in sessions.by_key(self._connection).items()}
        for take, measurement in measurements.each_with_take(self._connection, self._chosen):
            about = inheritance.about(take.about)
            row: Row = {"take": take.id, "file": take.file_name, "state": take.state, **about}
            row["date"] = dates.get(about.get("session", ""))
            row["extra"] = "; ".join(f"{name}: {value}" for name, value in about.get("extra", {}).items()) or None
            row["checks"] = (take.problem or {}).get("detail")
            if self._left_out is not None:
                row["left_out_why"] = self._left_out.get(take.id)
            if measurement is not None:
                document = measurement_view(take, measurement, about, calibrations.of(about))
                row["checks"] = "\n".join(map(_said, document["checks"]))
                row |= {"measured": rfc3339(measurement.made), "version": measurement.version}
                row["sample_rate_hz"] = document["audio"].get("sample_rate_hz")
                self._counts.update({check["code"] for check in document["checks"]})
            yield row

    def checks(self) -> Iterator[Row]:
        """A row for each kind of check that spoke up in the conditions read so far, under `CHECK_COLUMNS`."""
        for kind in CHECKS:
            if kind.code in self._counts:
                yield {
                    "check": kind.code,
                    "takes": self._counts[kind.code],
                    "severities": ", ".join(kind.severities),
                    "title": kind.title,
                    "meaning": kind.meaning,
                    "advice": kind.advice,
                }


def _said(check: Mapping[str, Any]) -> str:
    return f"{check['severity']} {check['code']}: {check['message']}"
