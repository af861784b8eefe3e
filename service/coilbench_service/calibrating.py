"""A chain is calibrated: full scale stated as a number, or measured from a recorded tone of known voltage."""

from __future__ import annotations

import errno
from dataclasses import asdict
from typing import Any

import structlog
from flask import Request, g
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import Connection

from coilbench_service import chain_changes, idempotency, json_document, upload
from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.chain_changes import MOST_DB
from coilbench_service.chain_view import calibration_view
from coilbench_service.idempotency import Made, once
from coilbench_service.json_document import BadJson
from coilbench_service.problems import FieldError, Problem, field_errors
from coilbench_worker.audio.header import sniff
from coilbench_worker.measure.calibration import GainCalibration, dbu_to_v_rms, from_tone, stated
from coilbench_worker.measure.reference_tone import ReferenceTone, ToneUnfit
from coilbench_worker.reference import TIMEOUT_S, ReferenceFailed, measure_reference
from coilbench_worker.store import chains
from coilbench_worker.store.blobs import Incoming

PLACE_WITHIN_S = 20.0
"""A tone is measured in a second or two; who waits longer for his turn is told to come back."""
LEAST_V, MOST_V = 1e-6, 100.0
LEAST_DBU, MOST_DBU = -120.0, 42.0
"""Much the same two voltages, of a tone and of full scale: what lies beyond is a slip of the unit, as where a meter's
200 mV are given as 200 V. The largest level that inputs of studios are made for is near 25 V RMS, 30 dBu (common
practice, no source)."""
PROBLEMS = (
    kinds.CHAIN_UNKNOWN,
    *chain_changes.PROBLEMS,
    kinds.BROKEN_MULTIPART,
    kinds.TOO_LARGE,
    kinds.INVALID_ABOUT,
    kinds.NO_FILE,
    kinds.PART_TWICE,
    kinds.UNKNOWN_PART,
    kinds.TONE_UNFIT,
    kinds.TONE_FAILED,
    kinds.TOO_MANY_TONES,
    kinds.STORAGE_FULL,
    *kinds.AUDIO_REFUSALS,
)
_log = structlog.get_logger(__name__)


class _Gain(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    input_gain_db: float = Field(ge=-200, le=200, description="The gain it holds at, as takes give it, dB")


class StatedCalibration(_Gain):
    """Full scale as a number; give it in dBu or in volts."""

    full_scale_dbu: float | None = Field(None, ge=LEAST_DBU, le=MOST_DBU, description="Full scale, dBu")
    full_scale_v_rms: float | None = Field(
        None, ge=LEAST_V, le=MOST_V, description="RMS voltage at the input of the sine whose peak just reaches it, V"
    )
    uncertainty_db: float = Field(ge=0, le=MOST_DB, description="Of that number, dB, expanded (k = 2); 0 if you say so")


class ToneDescription(_Gain):
    """What is known of a recorded tone; give its voltage in dBu or in volts."""

    tone_v_rms: float | None = Field(
        None, ge=LEAST_V, le=MOST_V, description="RMS voltage of the tone at the input, V, read while it was recorded"
    )
    tone_dbu: float | None = Field(None, ge=LEAST_DBU, le=MOST_DBU, description="The same in dBu")
    uncertainty_percent: float = Field(
        ge=0, le=100, description="Of that reading, percent, expanded (k = 2): the meter's; 0 if you say so"
    )
    channel: int | None = Field(
        None, ge=1, le=10_000, description="Channel that carries the tone, counted from 1; needed when channels differ"
    )


def calibrate(bench: Bench, call: Request, chain_key: str, key: str | None) -> tuple[int, dict[str, Any]]:
    """Calibrate a chain by a JSON body, or by a multipart one with a tone.

    Parameters
    ----------
    call : its body must not have been read if it is multipart
    key : its Idempotency-Key, or None

    Returns
    -------
    tuple : 201 and the calibration as JSON values, those of the first time when the key was used before

    Raises
    ------
    Problem, AudioRefused : nothing of the request is kept; a tone that is unfit is not kept either
    """
    key = idempotency.checked_key(key)
    with bench.keys.hold(key):
        if call.mimetype != "multipart/form-data":
            return _by_number(bench, call, chain_key, key)
        chain_changes.existing(bench, chain_key)  # before the tone is read
        try:
            with bench.blobs.incoming() as incoming:
                return _by_tone(bench, call, chain_key, key, incoming)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            raise Problem(kinds.STORAGE_FULL, "The disk or quota that holds recordings is full.") from error


def _by_number(bench: Bench, call: Request, chain_key: str, key: str | None) -> tuple[int, dict[str, Any]]:
    try:
        asked = StatedCalibration.model_validate(call.get_json())
    except ValidationError as error:
        raise _invalid(field_errors(error)) from error
    volts = _volts("", full_scale_v_rms=asked.full_scale_v_rms, full_scale_dbu=asked.full_scale_dbu)
    found = stated(asked.input_gain_db, full_scale_v_rms=volts, expanded_uncertainty_db=asked.uncertainty_db)
    request_sha256 = idempotency.fingerprint(call, asked.model_dump())
    return once(bench.database, key, request_sha256, lambda connection: _enter(connection, chain_key, found))


def _by_tone(
    bench: Bench, call: Request, chain_key: str, key: str | None, incoming: Incoming
) -> tuple[int, dict[str, Any]]:
    sent = upload.receive(call, incoming, max_file_bytes=bench.configuration.max_upload_bytes)
    asked = _described(sent.about)
    volts = _volts("about.", tone_v_rms=asked.tone_v_rms, tone_dbu=asked.tone_dbu)
    request_sha256 = idempotency.fingerprint(call, [incoming.sha256, sent.file_name, asked.model_dump()])
    with bench.database.read() as connection:
        first = idempotency.recall(connection, key, request_sha256)
    if first is not None:
        return first.status, first.body
    sniff(incoming.file, incoming.size, bench.audio_limits)
    incoming.seal()
    tone = _measured(bench, incoming, asked.channel)
    found = from_tone(
        asked.input_gain_db, tone, tone_v_rms=volts, expanded_uncertainty_percent=asked.uncertainty_percent
    )
    _require_input(found, asked)
    kept = {"tone": {**asdict(tone), "tone_v_rms": volts}, "file": incoming, "file_name": sent.file_name}
    return once(bench.database, key, request_sha256, lambda connection: _enter(connection, chain_key, found, **kept))


def _require_input(found: GainCalibration, asked: ToneDescription) -> None:
    """Refuse a tone's voltage that makes of full scale what no input has."""
    if not LEAST_V <= found.full_scale_v_rms <= MOST_V:
        message = (
            f"makes full scale {found.full_scale_v_rms:.3g} V RMS, and {LEAST_V:g} to {MOST_V:g} V are taken; "
            "give the voltage in volts, not in millivolts, as it was while this tone was recorded"
        )
        field = "tone_v_rms" if asked.tone_dbu is None else "tone_dbu"
        raise _invalid([FieldError(f"about.{field}", message)])


def _described(about: bytes | None) -> ToneDescription:
    if about is None:
        message = "is missing; it is a JSON object with the gain, the tone's voltage and its uncertainty"
        raise _invalid([FieldError("about", message)])
    try:
        document = json_document.read(about)
    except BadJson as error:
        field = f"about.{error.field}" if error.field else "about"
        raise _invalid([FieldError(field, f"not JSON as it is taken here: {error}")]) from error
    if not isinstance(document, dict):
        raise _invalid([FieldError("about", f"is a JSON {json_document.kind_of(document)}; an object is wanted")])
    try:
        return ToneDescription.model_validate(document)
    except ValidationError as error:
        raise _invalid(field_errors(error, "about")) from error


def _volts(prefix: str, **given: float | None) -> float:
    """The one voltage that was given, as `..._v_rms` or `..._dbu`."""
    said = {name: value for name, value in given.items() if value is not None}
    if len(said) != 1:
        message = f"give one of {' and '.join(given)}" + (", not both" if said else "")
        raise _invalid([FieldError(f"{prefix}{name}", message) for name in given])
    ((name, value),) = said.items()
    return dbu_to_v_rms(value) if name.endswith("_dbu") else value


def _measured(bench: Bench, incoming: Incoming, channel: int | None) -> ReferenceTone:
    if not bench.tones.acquire(timeout=PLACE_WITHIN_S):
        detail = f"No place was free within {PLACE_WITHIN_S:g} s."
        raise Problem(kinds.TOO_MANY_TONES, detail, headers={"Retry-After": str(round(PLACE_WITHIN_S))})
    try:
        return measure_reference(incoming.path, channel=channel, limits=bench.audio_limits, timeout_s=TIMEOUT_S)
    except ToneUnfit as error:
        faults = [FieldError(f"file.{fault.code}", fault.message) for fault in error.faults]
        found = "1 fault was" if len(faults) == 1 else f"{len(faults)} faults were"
        raise Problem(kinds.TONE_UNFIT, f"{found} found in the tone; it was not kept.", errors=faults) from error
    except ReferenceFailed as error:
        reference = g.get("request_id", "")
        _log.error("tone not measured", reason=str(error), said=error.log, reference=reference)
        raise Problem(kinds.TONE_FAILED, str(error), extensions={"reference": reference}) from error
    finally:
        bench.tones.release()


def _enter(connection: Connection, chain_key: str, found: GainCalibration, **tone: Any) -> Made:
    chain = chains.lock(connection, chain_key)
    if chain is None:
        raise chain_changes.chain_unknown(chain_key)
    if "file" in tone:
        g.recording_bytes = tone["file"].size
    document = found.to_document()
    record = chains.calibrate(
        connection,
        chain.id,
        input_gain_db=found.input_gain_db,
        by=found.by,
        full_scale_v_rms=found.full_scale_v_rms,
        budget=document["budget"],
        **tone,
    )
    return Made(calibration_view(chain.key, record), {"calibration_id": record.id})


def _invalid(errors: list[FieldError]) -> Problem:
    detail = "; ".join(f"{error.field}: {error.message}" for error in errors[:3])
    return Problem(kinds.INVALID_REQUEST, detail, errors=errors)
