"""A measurement as the API shows it: what was measured, and the checks that follow from the present description."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field, JsonValue

from coilbench_service.json_document import rfc3339
from coilbench_worker.measure.description import description_checks
from coilbench_worker.measure.results import check_document
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.takes import TakeRecord

Values = dict[str, float | int | str | None]


class CheckView(BaseModel):
    """One judgement of the recording."""

    code: str = Field(description="One of /v1/checks")
    severity: str = Field(description="note, caution or reject")
    message: str = Field(description="What was found and what to do")
    strums: list[int]
    times_s: list[float]
    values: Values


class StrumView(BaseModel):
    """One strum; quantities are those of /v1/quantities, null when they can't be measured."""

    number: int
    onset_s: float
    end_s: float
    ended_by: str = Field(description="next, damped, noise or file-end")
    quantities: Values
    octave_db: Values
    third_octave_db: Values
    band_decay_db_per_s: Values
    reasons: dict[str, str] = Field(description="Why a quantity is null")


class AudioView(BaseModel):
    """The recording that was measured."""

    sample_rate_hz: int
    channels: int
    channel_used: int
    duration_s: float
    encoding: str
    container: str


class Measurement(BaseModel):
    """Everything measured of one take."""

    take: str
    made: str = Field(description="RFC 3339, UTC")
    version: str = Field(description="Of the measuring code; rises when a number moves")
    settings: dict[str, JsonValue]
    audio: AudioView
    checks: list[CheckView]
    usable: bool = Field(description="Whether the take can carry a comparison")
    noise: Values
    strums: list[StrumView]
    summary: dict[str, JsonValue] = Field(description="mean, sd, n, low, high, min, max by quantity; vectors by part")
    take_quantities: Values
    reasons: dict[str, str] = Field(description="Why a quantity of the take or its noise is null")


def measurement_view(take: TakeRecord, measurement: MeasurementRecord) -> dict[str, Any]:
    """The measurement as JSON values."""
    checks = [*measurement.document["checks"], *(check_document(check) for check in description_checks(take.about))]
    return {
        "take": take.id,
        "made": rfc3339(measurement.made),
        "reasons": {},  # measurements of version 1 have none of the whole take
        **measurement.document,
        "checks": checks,
        "usable": all(check["severity"] != "reject" for check in checks),
    }
