"""Calibrations of a chain: made by number or by tone, read, deleted; and the tones as sent."""

from __future__ import annotations

from typing import BinaryIO

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field

from coilbench_service import calibrating
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.calibrating import StatedCalibration, ToneDescription
from coilbench_service.chain_changes import existing
from coilbench_service.chain_view import CalibrationView, calibration_view
from coilbench_service.conditional import require_state
from coilbench_service.openapi import Making, answers, body_of
from coilbench_service.problems import Problem
from coilbench_service.recording_answer import recording_answer
from coilbench_service.routes.chains import ChainPath
from coilbench_worker.store import chains
from coilbench_worker.store.chains import CalibrationRecord, ToneFile

TAG = Tag(name="calibrations", description="What full scale is in volts at one gain of a chain")
HOW = (
    "As JSON: full scale stated in dBu or volts. As multipart/form-data: a recorded sine (`file`) and its voltage at "
    "the input (`about`); its level is measured, and full scale follows. Uncertainties are expanded ones, k = 2, and "
    "must be given. A tone that is unfit is refused with every fault that was found (`tone-unfit`), and not kept. Of "
    "several calibrations at one gain the newest counts; takes show other millivolts at once, without being measured "
    "again."
)
BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {"schema": StatedCalibration.model_json_schema()},
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["file", "about"],
                    "additionalProperties": False,
                    "properties": {
                        "file": {"description": "The tone: ten seconds of one steady sine; WAV, RF64, FLAC or AIFF"},
                        "about": ToneDescription.model_json_schema(),
                    },
                },
                "encoding": {"about": {"contentType": "application/json"}},
            },
        },
    }
}


class CalibrationPath(ChainPath):
    """The calibration meant."""

    calibration_id: str = Field(description="Id of a calibration of this chain")


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/chains/{chain_key}/calibrations."""
    api = APIBlueprint("calibrations", __name__, url_prefix="/v1/chains/<chain_key>/calibrations", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers({201: CalibrationView}, *calibrating.PROBLEMS),
        description=HOW,
        openapi_extensions=BODY,
    )
    def calibrate_chain(path: ChainPath, header: Making) -> Response:
        """Calibrate a chain at a gain."""
        status, made = calibrating.calibrate(bench, request, path.chain_key, header.idempotency_key)
        return json_answer(made, status, headers={"Location": made["links"]["self"]})

    @api.get(
        "/<calibration_id>",
        responses=answers(
            {200: CalibrationView}, kinds.CHAIN_UNKNOWN, kinds.CALIBRATION_UNKNOWN, kinds.PRECONDITION_FAILED
        ),
    )
    def read_calibration(path: CalibrationPath) -> Response:
        """One calibration with its uncertainty budget."""
        return json_answer(calibration_view(path.chain_key, _existing(bench, path)), tagged=True)

    @api.delete(
        "/<calibration_id>",
        responses=answers({204: None}, kinds.CHAIN_UNKNOWN, kinds.CALIBRATION_UNKNOWN, kinds.PRECONDITION_FAILED),
    )
    def delete_calibration(path: CalibrationPath) -> Response:
        """Delete a calibration and its tone; the one before it at its gain counts again."""
        found = _existing(bench, path)
        require_state(request, tag=tag_of(calibration_view(path.chain_key, found)), changed=found.created)
        if not chains.remove_calibration(bench.database, bench.blobs, found.id):
            raise _unknown(path)
        return Response(status=204)

    @api.get(
        "/<calibration_id>/audio",
        responses=answers(
            {
                200: body_of("audio/*", "The tone, byte for byte"),
                206: body_of("audio/*", "A part of it (RFC 9110 section 14)"),
            },
            kinds.CHAIN_UNKNOWN,
            kinds.CALIBRATION_UNKNOWN,
            kinds.NO_TONE,
            kinds.PRECONDITION_FAILED,
            kinds.RANGE_NOT_SATISFIABLE,
        ),
    )
    def read_tone(path: CalibrationPath) -> Response:
        """The tone as sent; takes Range."""
        found = _existing(bench, path)
        if found.file is None:
            raise Problem(kinds.NO_TONE, "Full scale was stated as a number at this gain.")
        file, tone = _open(bench, path, found.file), found.file
        return recording_answer(file, name=tone.name, size=tone.bytes, tag=tone.sha256, created=found.created)

    return api


def _existing(bench: Bench, path: CalibrationPath) -> CalibrationRecord:
    for calibration in existing(bench, path.chain_key).calibrations:
        if calibration.id == path.calibration_id:
            return calibration
    raise _unknown(path)


def _unknown(path: CalibrationPath) -> Problem:
    detail = f"The chain {path.chain_key!r:.200} has no calibration {path.calibration_id!r:.100}."
    return Problem(kinds.CALIBRATION_UNKNOWN, detail)


def _open(bench: Bench, path: CalibrationPath, file: ToneFile) -> BinaryIO:
    try:
        return bench.blobs.open(file.blob, file.bytes)
    except FileNotFoundError:
        _existing(bench, path)  # deleted since it was looked up?
        raise
