"""The recording of a take, as it was sent."""

from __future__ import annotations

from typing import BinaryIO

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.final_take import existing
from coilbench_service.openapi import answers, body_of
from coilbench_service.recording_answer import recording_answer
from coilbench_service.routes.takes import TakePath
from coilbench_worker.store.takes import TakeRecord

TAG = Tag(name="audio", description="The recordings as sent")


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/takes/{take_id}/audio."""
    api = APIBlueprint("audio", __name__, url_prefix="/v1/takes/<take_id>/audio", abp_tags=[TAG])

    @api.get(
        "",
        responses=answers(
            {
                200: body_of("audio/*", "The recording, byte for byte"),
                206: body_of("audio/*", "A part of it (RFC 9110 section 14)"),
            },
            kinds.TAKE_NOT_FOUND,
            kinds.PRECONDITION_FAILED,
            kinds.RANGE_NOT_SATISFIABLE,
        ),
    )
    def read_audio(path: TakePath) -> Response:
        """The recording as sent; takes Range."""
        take = existing(bench, path.take_id)
        return recording_answer(
            _open(bench, take), name=take.file_name, size=take.bytes, sha256=take.sha256, created=take.created
        )

    return api


def _open(bench: Bench, take: TakeRecord) -> BinaryIO:
    try:
        return bench.blobs.open(take.blob)
    except FileNotFoundError:
        existing(bench, take.id)  # deleted since it was looked up?
        raise
