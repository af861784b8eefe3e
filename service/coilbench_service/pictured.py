"""A measured take with all that its pictures need, by one state of the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.calibrations import Calibrations
from coilbench_service.final_take import take_not_found
from coilbench_service.inheritance import Inheritance
from coilbench_service.measurement_view import measurement_view
from coilbench_service.problems import Problem
from coilbench_service.unmeasured import measured
from coilbench_worker.store import measurements, takes


@dataclass(frozen=True)
class Pictured:
    """A take for its pictures.

    Parameters
    ----------
    id : of the take
    label : what it is called: its label, else the name of its file
    about : the description that holds for it
    document : its measurement as the API shows it
    traces : what its pictures are drawn from (`measure.traces`)
    """

    id: str
    label: str
    about: Mapping[str, Any]
    document: Mapping[str, Any]
    traces: Mapping[str, Any]

    @property
    def strums(self) -> Sequence[Mapping[str, Any]]:
        """Of its measurement."""
        found: Sequence[Mapping[str, Any]] = self.document["strums"]
        return found


def pictured(bench: Bench, take_id: str) -> Pictured:
    """The take with what its pictures are drawn from.

    Raises
    ------
    Problem : take-not-found, not-measured-yet, measuring-failed, not-pictured, or what it was rejected for
    """
    with bench.database.read() as connection:
        return pictured_of(connection, take_id)


def pictured_takes(bench: Bench, take_ids: Sequence[str]) -> list[Pictured]:
    """Several takes in the order asked for, all by one state of the database.

    Raises
    ------
    Problem : as `pictured`, of the first take that has no pictures
    """
    with bench.database.read() as connection:
        return [pictured_of(connection, take_id) for take_id in take_ids]


def pictured_of(connection: Connection, take_id: str) -> Pictured:
    """The same on an open connection (`Database.read()`)."""
    take = takes.get(connection, take_id)
    if take is None:
        raise take_not_found(take_id)
    measurement = measured(take, measurements.current(connection, take_id))
    traces = measurements.traces(connection, take_id)
    if traces is None:
        raise Problem(kinds.NOT_PICTURED, f"The take {take_id} was measured before pictures were kept.")
    about = Inheritance(connection, [take.about]).about(take.about)
    document = measurement_view(take, measurement, about, Calibrations(connection).of(about))
    return Pictured(take_id, about.get("label") or take.file_name, about, document, traces)
