"""The recording of a take, as it was sent."""

from __future__ import annotations

import re
from typing import BinaryIO, cast
from urllib.parse import quote

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from werkzeug.http import dump_options_header
from werkzeug.wsgi import wrap_file

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.conditional import ConditionalResponse
from coilbench_service.final_take import existing
from coilbench_service.openapi import answers, body_of
from coilbench_service.routes.takes import TakePath
from coilbench_worker.audio.window import Window
from coilbench_worker.store.takes import TakeRecord

TAG = Tag(name="audio", description="The recordings as sent")
_ONE_RANGE = re.compile(r"bytes *= *(?:([0-9]{1,18}) *- *([0-9]{0,18})|- *([0-9]{1,18}))", re.IGNORECASE)
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
            kinds.PRECONDITION_FAILED,
            kinds.RANGE_NOT_SATISFIABLE,
        ),
    )
    def read_audio(path: TakePath) -> Response:
        """The recording as sent; takes Range."""
        take = existing(bench, path.take_id)
        file = _open(bench, take)
        try:
            response = ConditionalResponse(
                wrap_file(request.environ, file, 64 * 1024), mimetype=media_type_of(file), direct_passthrough=True
            )
            response.call_on_close(file.close)
            response.content_length = take.bytes
            response.headers["Content-Disposition"] = attachment(take.file_name)
            response.headers["Cache-Control"] = "no-cache"
            response.set_etag(take.sha256)
            response.last_modified = take.created
            environ = {name: value for name, value in request.environ.items() if name != "HTTP_RANGE"}
            if (heeded := range_heeded(request.headers.get("Range", ""), take.bytes)) is not None:
                environ["HTTP_RANGE"] = heeded
            response.make_conditional(environ, accept_ranges=True, complete_length=take.bytes)
            if response.status_code == 206:
                # As a file again: what Werkzeug makes of a part holds a thread until its reader has taken it.
                part = _Part(file, response.content_range.start or 0, response.content_length or 0)
                response.response = wrap_file(request.environ, cast(BinaryIO, part), 64 * 1024)
        except BaseException:
            file.close()
            raise
        return response

    return api


class _Part(Window):
    """A part of a recording, closed with its file."""

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def _open(bench: Bench, take: TakeRecord) -> BinaryIO:
    try:
        return bench.blobs.open(take.blob)
    except FileNotFoundError:
        existing(bench, take.id)  # deleted since it was looked up?
        raise


def range_heeded(asked: str, size: int) -> str | None:
    """A Range header as Werkzeug takes it: None where it is to be ignored, a suffix no longer than the recording.

    Ignored: another unit than bytes, what is malformed, several ranges (RFC 9110 section 14.2).
    """
    form = _ONE_RANGE.fullmatch(asked.strip())
    if form is None:
        return None
    first, last, suffix = form.groups()
    if suffix is not None:
        return f"bytes=-{min(int(suffix), size)}"
    return f"bytes={first}-{last}"


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
