"""A measurement as the API shows it: what was measured, and what follows from the description and the chain as they are
now, checks and millivolts. Nothing is measured again when those change.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, Field, JsonValue

from coilbench_service.json_document import rfc3339
from coilbench_service.take_view import take_path
from coilbench_worker.measure.calibration import CalibrationState
from coilbench_worker.measure.description import description_checks
from coilbench_worker.measure.millivolts import calibrated
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
    audio: str = Field(description="Where the strum can be heard; takes match_lufs. Start with the volume down")


class AudioView(BaseModel):
    """The recording that was measured."""

    sample_rate_hz: int
    channels: int
    channel_used: int
    duration_s: float
    encoding: str
    container: str


class ComponentView(BaseModel):
    """One line of an uncertainty budget."""

    source: str
    standard_uncertainty_db: float
    degrees_of_freedom: float | None = Field(description="null: infinitely many")


class CalibrationUsed(BaseModel):
    """What millivolts rest on."""

    chain: str
    input_gain_db: float
    by: str = Field(
        description="stated, tone, or gain-difference: that of another gain, moved by the difference of the gains"
    )
    moved_db: float = Field(description="How far it was moved; 0 unless gain-difference")
    full_scale_dbu: float
    full_scale_v_rms: float = Field(description="Of the sine at the input whose peak just reaches full scale")
    expanded_uncertainty_db: float
    coverage_factor: float
    budget: list[ComponentView]


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
    summary: dict[str, JsonValue] = Field(
        description="mean, sd, n, low, high, min, max by quantity; vectors by part; millivolts also with "
        "expanded_uncertainty_mv (95 %), coverage_factor and degrees_of_freedom"
    )
    take_quantities: Values
    reasons: dict[str, str] = Field(description="Why a quantity of the take or its noise is null")
    calibration: CalibrationUsed | None = Field(
        description="What millivolts rest on: the chain's calibration for the gain, as it is now; null without one"
    )


def strum_audio_path(take_id: str, number: int) -> str:
    """Address of one strum as sound."""
    return f"{take_path(take_id)}/strums/{number}/audio"


def measurement_view(
    take: TakeRecord, measurement: MeasurementRecord, about: Mapping[str, Any], state: CalibrationState
) -> dict[str, Any]:
    """The measurement as JSON values.

    Parameters
    ----------
    take : as it is now
    measurement : as it was stored
    about : the description that holds for the take, inherited fields included (`Inheritance.about`)
    state : the calibration that the take falls under (`Calibrations.of`)
    """
    document = calibrated(measurement.document, state.calibration, state.reason, chain=state.chain)
    checks = [*document["checks"], *(check_document(check) for check in description_checks(about, state))]
    return {
        "take": take.id,
        "made": rfc3339(measurement.made),
        "reasons": {},  # measurements of version 1 have none of the whole take
        **document,
        "strums": [{**strum, "audio": strum_audio_path(take.id, strum["number"])} for strum in document["strums"]],
        "checks": checks,
        "usable": all(check["severity"] != "reject" for check in checks),
    }
