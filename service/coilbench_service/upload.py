"""A take on its way in: multipart parts from the wire straight into the temporary blob, counted and hashed on the way.

The recording is never in memory as a whole: Werkzeug's sans-io decoder is fed 256 KiB at a time and every piece of the
part `file` goes to the blob at once (field notes: spooling to a second temporary file costs the disk twice).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from flask import Request
from werkzeug.exceptions import ClientDisconnected, RequestEntityTooLarge
from werkzeug.sansio.multipart import Data, Field, File, MultipartDecoder, NeedData, State

from coilbench_service import about as about_document
from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem

PIECE_BYTES = 256 * 1024
MAX_PART_HEADER_BYTES = 64 * 1024
ENVELOPE_BYTES = about_document.MAX_BYTES + 2 * MAX_PART_HEADER_BYTES
UNNAMED = "recording"
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


class Sink(Protocol):
    """Where the recording's bytes go."""

    def write(self, data: bytes, /) -> object:
        """Take the next bytes."""
        ...


@dataclass(frozen=True)
class Upload:
    """What came with the recording: its name as sent (cleaned), the raw `about` part or None, the recording's bytes."""

    file_name: str
    about: bytes | None
    bytes: int


def receive(call: Request, sink: Sink, *, max_file_bytes: int) -> Upload:
    """Take a multipart request apart, writing the part `file` to the sink.

    Parameters
    ----------
    call : its body must not have been read
    sink : gets the recording's bytes in order
    max_file_bytes : limit of the part `file`

    Raises
    ------
    Problem : not-multipart, broken-multipart, too-large, no-file, part-twice, unknown-part, invalid-about (too long)
    """
    return _Receiver(sink, max_file_bytes).run(call)


class _Receiver:
    def __init__(self, sink: Sink, max_file_bytes: int) -> None:
        self.sink = sink
        self.max_file_bytes = max_file_bytes
        self.seen: set[str] = set()
        self.file_name = UNNAMED
        self.file_bytes = 0
        self.about = bytearray()

    def run(self, call: Request) -> Upload:
        part = ""
        for event in _events(call, self.max_file_bytes):
            if isinstance(event, (Field, File)):
                part = self.begin(event)
            elif isinstance(event, Data):
                self.take(part, event.data)
        if "file" not in self.seen:
            message = "is missing" if self.seen else "is missing; the body has no part at all"
            raise Problem(kinds.NO_FILE, f"The part 'file' {message}.", errors=[FieldError("file", message)])
        return Upload(self.file_name, bytes(self.about) if "about" in self.seen else None, self.file_bytes)

    def begin(self, event: Field | File) -> str:
        name = event.name
        if name not in ("file", "about"):
            detail = f"The part {name!r:.80} is not known; there are 'file' and 'about'."
            raise Problem(kinds.UNKNOWN_PART, detail, errors=[FieldError(f"{name:.80}", "is not a known part")])
        if name in self.seen:
            raise Problem(
                kinds.PART_TWICE, f"The part {name!r} was sent twice.", errors=[FieldError(name, "sent twice")]
            )
        self.seen.add(name)
        if name == "file" and isinstance(event, File):
            self.file_name = clean_file_name(event.filename)
        return name

    def take(self, part: str, data: bytes) -> None:
        if part == "file":
            self.file_bytes += len(data)
            if self.file_bytes > self.max_file_bytes:
                raise too_large(self.max_file_bytes)
            if data:
                self.sink.write(data)
        elif part == "about":
            self.about += data
            if len(self.about) > about_document.MAX_BYTES:
                raise Problem(
                    kinds.INVALID_ABOUT,
                    f"The part 'about' has more than {about_document.MAX_BYTES} bytes.",
                    errors=[FieldError("about", f"has more than {about_document.MAX_BYTES} bytes")],
                )


def too_large(limit: int) -> Problem:
    """The problem for a recording past its limit in bytes."""
    return Problem(
        kinds.TOO_LARGE,
        f"The recording has more than {limit} bytes, which is the most that is taken.",
        advice="Cut the recording into shorter takes, or raise COILBENCH_MAX_UPLOAD_BYTES.",
        errors=[FieldError("file", f"has more than {limit} bytes")],
    )


def clean_file_name(sent: str) -> str:
    """The last part of a name as sent, on whatever system, printable and at most 200 characters."""
    name = _UNPRINTABLE.sub("", re.split(r"[/\\]", sent)[-1]).strip()
    if len(name) > 200:
        stem, dot, ending = name.rpartition(".")
        name = f"{stem[: 199 - len(ending)]}.{ending}" if dot and len(ending) <= 10 else name[:200]
    return name if name.strip(".") else UNNAMED


def _events(call: Request, max_file_bytes: int) -> Iterator[Field | File | Data]:
    decoder = MultipartDecoder(_boundary(call))
    in_data = False
    try:
        while True:
            piece = call.stream.read(PIECE_BYTES)
            decoder.receive_data(piece or None)
            while not isinstance(event := decoder.next_event(), NeedData):
                if isinstance(event, (Field, File)):
                    if not event.name:
                        raise ValueError("a part has no name")
                    in_data = True
                    yield event
                elif isinstance(event, Data):
                    in_data = event.more_data
                    yield event
            if decoder.state is State.EPILOGUE:
                _pass_over(call)
                return
            if not in_data and len(decoder.buffer) > MAX_PART_HEADER_BYTES:
                raise ValueError(f"the headers of a part, or what stands before it, pass {MAX_PART_HEADER_BYTES} bytes")
    except RequestEntityTooLarge as error:
        raise too_large(max_file_bytes) from error
    except (ValueError, UnicodeDecodeError) as error:
        raise Problem(kinds.BROKEN_MULTIPART, _why_broken(error)) from error
    except (ClientDisconnected, ConnectionError) as error:
        raise Problem(kinds.BROKEN_MULTIPART, "The connection ended before the body did; nothing was kept.") from error


def _pass_over(call: Request) -> None:
    """Read what follows the last boundary and keep none of it (RFC 2046 section 5.1.1: it is to be ignored)."""
    while call.stream.read(PIECE_BYTES):
        pass


def _boundary(call: Request) -> bytes:
    if call.mimetype != "multipart/form-data":
        sent = call.mimetype or "a body without Content-Type"
        raise Problem(kinds.NOT_MULTIPART, f"POST {call.path} takes multipart/form-data; {sent} was sent.")
    boundary = call.mimetype_params.get("boundary", "")
    if not re.fullmatch(r"[ -~]{0,69}[!-~]", boundary):  # RFC 2046 section 5.1.1: at most 70 characters
        raise Problem(kinds.BROKEN_MULTIPART, "Content-Type has no usable boundary.")
    return boundary.encode("ascii")


def _why_broken(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "The headers of a part are not UTF-8."
    text = str(error)
    if "Invalid form-data" in text:
        return "The body ends before its last boundary: it was cut off, or the boundary is not the one in Content-Type."
    return f"The body is not multipart/form-data: {text}."
