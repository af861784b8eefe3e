"""The recording of a take, as it was sent, and its strums, one by one."""

from __future__ import annotations

import os
from typing import BinaryIO

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service import strum_audio
from coilbench_service.bench import Bench
from coilbench_service.final_take import existing
from coilbench_service.openapi import answers, body_of
from coilbench_service.recording_answer import recording_answer, unchanged_answer
from coilbench_service.routes.takes import TakePath
from coilbench_worker.excerpt import FADE_S, GREATEST_DBTP, LEAD_S, LONGEST_S
from coilbench_worker.store.takes import TakeRecord

TAG = Tag(name="audio", description="The recordings as sent, and their strums one by one")
LISTENING = (
    "Start with the volume down and raise it slowly: without match_lufs strums may differ by tens of dB, and loud "
    "playback harms hearing and loudspeakers. How loud and how long one may listen, local rules for noise say."
)
STRUM = (
    f"WAV, 24 bits, one channel: the one that was measured, at the rate of the recording, from {LEAD_S * 1000:g} ms "
    f"before the onset to the strum's end, {LONGEST_S:g} s after the onset at most. Faded over {FADE_S * 1000:g} ms at "
    "both ends, before the onset and at the end, so that it doesn't click; nothing else is done to the samples. "
    "With `match_lufs` a gain brings the strum's measured `loudness_lufs` (one mono channel) to that level, so that "
    f"pickups can be heard at one loudness. It never clips: where the true peak would pass {GREATEST_DBTP:g} dBTP, the "
    f"problem over-full-scale names the greatest level that fits. Takes Range and If-None-Match. {LISTENING}"
)


class StrumPath(TakePath):
    """The strum meant."""

    number: int = Field(description="Of the strum in the measurement, from 1")


class StrumAudioQuery(BaseModel):
    """How it is to be heard."""

    model_config = ConfigDict(extra="forbid")

    match_lufs: float | None = Field(
        None,
        ge=strum_audio.LEAST_LUFS,
        le=strum_audio.MOST_LUFS,
        allow_inf_nan=False,
        description="Loudness to bring the strum to, LUFS, such as -23; left out: as recorded",
    )


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/takes/{take_id}/audio and /v1/takes/{take_id}/strums/{number}/audio."""
    api = APIBlueprint("audio", __name__, url_prefix="/v1/takes/<take_id>", abp_tags=[TAG])

    @api.get(
        "/audio",
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
            _open(bench, take), name=take.file_name, size=take.bytes, tag=take.sha256, created=take.created
        )

    @api.get(
        "/strums/<number>/audio",
        description=STRUM,
        responses=answers(
            {
                200: body_of("audio/wav", "The strum"),
                206: body_of("audio/wav", "A part of it (RFC 9110 section 14)"),
            },
            *strum_audio.PROBLEMS,
            kinds.PRECONDITION_FAILED,
            kinds.RANGE_NOT_SATISFIABLE,
        ),
    )
    def read_strum_audio(path: StrumPath, query: StrumAudioQuery) -> Response:
        """One strum as WAV, level-matched if asked for. Start with the volume down."""
        sound = strum_audio.sound_of(bench, path.take_id, path.number, query.match_lufs)
        unchanged = unchanged_answer(sound.tag, sound.made)
        if unchanged is not None:
            return unchanged
        file = strum_audio.opened(bench, sound)
        size = os.fstat(file.fileno()).st_size
        return recording_answer(file, name=sound.file_name, size=size, tag=sound.tag, created=sound.made)

    return api


def _open(bench: Bench, take: TakeRecord) -> BinaryIO:
    try:
        return bench.blobs.open(take.blob, take.bytes)
    except FileNotFoundError:
        existing(bench, take.id)  # deleted since it was looked up?
        raise
