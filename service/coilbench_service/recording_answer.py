"""A recording as an answer: byte for byte as it is, whole or in part (RFC 9110 section 14)."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import BinaryIO, cast
from urllib.parse import quote

from flask import request
from werkzeug.http import dump_options_header
from werkzeug.wsgi import wrap_file

from coilbench_service.conditional import ConditionalResponse
from coilbench_worker.audio.window import Window

BLOCK_BYTES = 64 * 1024
_ONE_RANGE = re.compile(r"bytes *= *(?:([0-9]{1,18}) *- *([0-9]{0,18})|- *([0-9]{1,18}))", re.IGNORECASE)
_MEDIA_TYPES = {
    b"RIFF": "audio/wav",
    b"RIFX": "audio/wav",
    b"RF64": "audio/wav",
    b"fLaC": "audio/flac",
    b"FORM": "audio/aiff",
}


def recording_answer(file: BinaryIO, *, name: str, size: int, tag: str, created: datetime) -> ConditionalResponse:
    """The answer to a request for a recording; heeds Range and the conditions of the request.

    Parameters
    ----------
    file : open at its beginning; closed with the answer, or when there is none. One that is no file of this machine is
        read while its reader takes it, and the connection ends where it ends too soon
    name : for the download, of any characters
    size : bytes
    tag : strong entity tag, without quotes: other bytes have another
    created : when it came

    Raises
    ------
    Problem : precondition-failed
    RequestedRangeNotSatisfiable : the range lies outside
    """
    try:
        near = _at_hand(file)
        mimetype = media_type_of(file)
        response = ConditionalResponse(_stretch(file, 0, size, near), mimetype=mimetype, direct_passthrough=True)
        response.call_on_close(file.close)
        response.content_length = size
        response.headers["Content-Disposition"] = attachment(name)
        _tag(response, tag, created)
        environ = {name: value for name, value in request.environ.items() if name != "HTTP_RANGE"}
        if (heeded := range_heeded(request.headers.get("Range", ""), size)) is not None:
            environ["HTTP_RANGE"] = heeded
        response.make_conditional(environ, accept_ranges=True, complete_length=size)
        if response.status_code == 206:
            # As a file again: what Werkzeug makes of a part holds a thread until its reader has taken it. One that is
            # elsewhere does hold one: the server reads files between all its other connections.
            start, length = response.content_range.start or 0, response.content_length or 0
            response.response = _stretch(file, start, length, near)
    except BaseException:
        file.close()
        raise
    return response


def unchanged_answer(tag: str, created: datetime) -> ConditionalResponse | None:
    """The answer to whoever has the recording already, before it is opened or made; None when it has to be.

    Parameters
    ----------
    tag, created : as for `recording_answer`

    Raises
    ------
    Problem : precondition-failed
    """
    response = ConditionalResponse()
    _tag(response, tag, created)
    response.make_conditional({name: value for name, value in request.environ.items() if name != "HTTP_RANGE"})
    return response if response.status_code == 304 else None


def _tag(response: ConditionalResponse, tag: str, created: datetime) -> None:
    response.headers["Cache-Control"] = "no-cache"
    response.set_etag(tag)
    response.last_modified = created


def _at_hand(file: BinaryIO) -> bool:
    """Whether it is a file of this machine."""
    try:
        file.fileno()
    except io.UnsupportedOperation:
        return False
    return True


def _stretch(file: BinaryIO, start: int, size: int, near: bool) -> Iterable[bytes]:
    """A stretch of the recording as an answer: of a file of this machine for the server to read.

    Not the file itself: servers that send files by their number begin where the system stands in it, which is behind
    what was read ahead.
    """
    return (
        wrap_file(request.environ, cast(BinaryIO, _Part(file, start, size)), BLOCK_BYTES)
        if near
        else _Stream(file, start, size)
    )


class _Part(Window):
    """A stretch of a recording, closed with its file."""

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class _Stream:
    """A stretch of a recording, read as it is sent.

    Raises
    ------
    OSError : while it is iterated: the recording ends too soon, or its store does not answer; the server then ends the
        connection, and nobody takes the part for the whole
    """

    def __init__(self, file: BinaryIO, start: int, size: int) -> None:
        self._file = file
        self._start = start
        self._left = size

    def __iter__(self) -> Iterator[bytes]:
        if self._left:
            self._file.seek(self._start)
        while self._left:
            block = self._file.read(min(BLOCK_BYTES, self._left))
            if not block:
                raise OSError(f"the recording ends {self._left} bytes too soon")
            self._left -= len(block)
            yield block

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


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


def attachment(name: str, kind: str = "attachment") -> str:
    """A Content-Disposition with a name of any characters (RFC 6266): plain ASCII, and UTF-8 where that loses some.

    Parameters
    ----------
    name : of the file
    kind : `attachment` for what is to be saved, `inline` for what is to be shown
    """
    plain = name.encode("ascii", "replace").decode().replace("?", "_")
    options = (
        {"filename": plain} if plain == name else {"filename": plain, "filename*": f"UTF-8''{quote(name, safe='')}"}
    )
    return dump_options_header(kind, options)
