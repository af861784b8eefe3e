"""The measurement of a take, or the problem that says why there is none."""

from __future__ import annotations

from typing import NoReturn

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import Problem
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.states import FAILED, REJECTED
from coilbench_worker.store.takes import TakeRecord


def measured(take: TakeRecord, measurement: MeasurementRecord | None) -> MeasurementRecord:
    """The measurement that counts for a take.

    Parameters
    ----------
    measurement : `measurements.current` of the take; one of a take that was rejected or failed since counts no more

    Raises
    ------
    Problem : not-measured-yet, measuring-failed, or what the recording was rejected for
    """
    if measurement is None or take.state in (REJECTED, FAILED):
        _raise_why_not(take)
    return measurement


def _raise_why_not(take: TakeRecord) -> NoReturn:
    stored = take.problem or {}
    further = {
        name: value for name, value in stored.items() if name not in ("type", "title", "status", "detail", "advice")
    }
    if take.state == REJECTED:
        fallback = kinds.RECORDING_REJECTED
        kind = ProblemKind(
            str(stored.get("type", fallback.type)).rpartition("/")[2],
            fallback.status,
            str(stored.get("title", fallback.title)),
            str(stored.get("advice", fallback.advice)),
        )
        raise Problem(kind, str(stored.get("detail", fallback.title)), extensions={**further, "state": take.state})
    if take.state == FAILED:
        detail = str(stored.get("detail", kinds.MEASURING_FAILED.title))
        raise Problem(kinds.MEASURING_FAILED, detail, extensions={**further, "state": take.state})
    raise Problem(
        kinds.NOT_MEASURED_YET,
        f"The take is {take.state}.",
        headers={"Retry-After": "1"},
        extensions={"state": take.state},
    )
