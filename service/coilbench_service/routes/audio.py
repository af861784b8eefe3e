"""The recording of a take, as it was sent."""

from __future__ import annotations

from typing import BinaryIO
from urllib.parse import quote

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from werkzeug.http import dump_options_header
from werkzeug.wsgi import wrap_file

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.final_take import existing
from coilbench_service.openapi import answers, body_of
from coilbench_service.routes.takes import TakePath

TAG = Tag(name="audio", description="The recordings as sent")
_MEDIA_TYPES = {
    b"RIFF": "audio/wav",
    b"RIFX": "audio/wav",
    b"RF64": "audio/wav",
    b"fLaC": "audio/flac",
    b"FORM": "audio/aiff",
}


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
            kinds.RANGE_NOT_SATISFIABLE,
        ),
    )
    def read_audio(path: TakePath) -> Response:
        """The recording as sent; takes Range."""
        take = existing(bench, path.take_id)
        file = bench.blobs.open(take.blob)
        try:
            response = Response(
                wrap_file(request.environ, file, 64 * 1024), mimetype=media_type_of(file), direct_passthrough=True
            )
            response.call_on_close(file.close)
            response.content_length = take.bytes
            response.headers["Content-Disposition"] = attachment(take.file_name)
            response.headers["Cache-Control"] = "no-cache"
            response.set_etag(take.sha256)
            response.last_modified = take.created
            response.make_conditional(request.environ, accept_ranges=True, complete_length=take.bytes)
        except BaseException:
            file.close()
            raise
        return response

    return api


def media_type_of(file: BinaryIO) -> str:
    """The media type by the first four bytes; the file is at its beginning again."""
    head = file.read(4)
    file.seek(0)
    return _MEDIA_TYPES.get(head, "application/octet-stream")


def attachment(name: str) -> str:
    """A Content-Disposition with a name of any characters (RFC 6266): plain ASCII, and UTF-8 where that loses some."""
    plain = name.encode("ascii", "replace").decode().replace("?", "_")
    options = (
        {"filename": plain} if plain == name else {"filename": plain, "filename*": f"UTF-8''{quote(name, safe='')}"}
    )
    return dump_options_header("attachment", options)
