"""Multipart bodies: every byte of the recording arrives whatever the pieces, and every broken body has its problem."""

from __future__ import annotations

import io
import random

import pytest
from flask import Request
from typing_extensions import Buffer
from werkzeug.test import EnvironBuilder

from coilbench_service import upload
from coilbench_service.problems import Problem
from coilbench_service.upload import receive

BOUNDARY = "the-boundary"
LIMIT = 10_000_000


class Pieces(io.RawIOBase):
    """A body that comes in pieces of random size, as from a network."""

    def __init__(self, body: bytes, seed: int) -> None:
        self._body = io.BytesIO(body)
        self._random = random.Random(seed)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Buffer) -> int:
        room = memoryview(buffer)
        piece = self._body.read(min(self._random.randint(1, 700), len(room)))
        room[: len(piece)] = piece
        return len(piece)


class Sink:
    """Keeps what is written, piece by piece."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []

    def write(self, data: bytes) -> None:
        self.pieces.append(bytes(data))

    @property
    def content(self) -> bytes:
        return b"".join(self.pieces)


def part(name: str, content: bytes, file_name: str | None = None, boundary: str = BOUNDARY) -> bytes:
    """One part with its leading delimiter, after RFC 7578."""
    disposition = f'form-data; name="{name}"' + (f'; filename="{file_name}"' if file_name is not None else "")
    return f"--{boundary}\r\nContent-Disposition: {disposition}\r\n\r\n".encode() + content + b"\r\n"


END = f"--{BOUNDARY}--\r\n".encode()


def call_with(body: bytes, content_type: str = f"multipart/form-data; boundary={BOUNDARY}", seed: int = 1) -> Request:
    """A request whose body comes in pieces."""
    environ = EnvironBuilder(method="POST", path="/v1/takes").get_environ()
    environ["CONTENT_TYPE"] = content_type
    environ["wsgi.input"] = Pieces(body, seed)
    environ["wsgi.input_terminated"] = True
    environ["CONTENT_LENGTH"] = str(len(body))
    return Request(environ)


def awkward(size: int, seed: int) -> bytes:
    """Bytes full of line ends and almost-delimiters, where a careless reader stops."""
    rng = random.Random(seed)
    pool = [
        b"\r",
        b"\n",
        b"\r\n",
        b"--",
        b"\r\n--",
        f"\r\n--{BOUNDARY[:-1]}".encode(),
        f"--{BOUNDARY}x".encode(),
        b"\0",
        b"a",
    ]
    content = b""
    while len(content) < size:
        content += rng.choice(pool)
    return content


@pytest.mark.parametrize("seed", range(12))
def test_the_recording_arrives_byte_for_byte_whatever_the_pieces(seed: int) -> None:
    content = awkward(5000, seed)
    sink = Sink()
    body = part("about", b'{"label": "a"}') + part("file", content, "strum.wav") + END
    sent = receive(call_with(body, seed=seed), sink, max_file_bytes=LIMIT)
    assert sink.content == content
    assert (sent.bytes, sent.file_name, sent.about) == (len(content), "strum.wav", b'{"label": "a"}')


def test_no_piece_in_memory_is_larger_than_what_was_read_at_once() -> None:
    content = bytes(3_000_000)
    sink = Sink()
    body = part("file", content, "a.wav") + END
    environ = EnvironBuilder(method="POST").get_environ()
    environ |= {
        "CONTENT_TYPE": f"multipart/form-data; boundary={BOUNDARY}",
        "wsgi.input": io.BytesIO(body),
        "CONTENT_LENGTH": str(len(body)),
    }
    receive(Request(environ), sink, max_file_bytes=LIMIT)
    assert sink.content == content
    assert max(len(piece) for piece in sink.pieces) <= upload.PIECE_BYTES + 100


def test_the_description_may_come_after_the_recording_or_not_at_all_or_as_a_file() -> None:
    after = part("file", b"x", "a.wav") + part("about", b"{}") + END
    assert receive(call_with(after), Sink(), max_file_bytes=LIMIT).about == b"{}"
    assert receive(call_with(part("file", b"x", "a.wav") + END), Sink(), max_file_bytes=LIMIT).about is None
    as_file = part("file", b"x", "a.wav") + part("about", b"{}", "about.json") + END
    assert receive(call_with(as_file), Sink(), max_file_bytes=LIMIT).about == b"{}"


@pytest.mark.parametrize(
    "epilogue",
    [b"x", b"the end\r\n", b"z" * 200_000, part("photo", b"y"), END * 5000],
    ids=["one byte", "a line", "long", "like a part", "like ends"],
)
@pytest.mark.parametrize("end", [END, END.rstrip(b"\r\n"), END.replace(b"--\r\n", b"-- \t\r\n")])
def test_what_follows_the_last_boundary_is_passed_over(end: bytes, epilogue: bytes) -> None:
    """RFC 2046 section 5.1.1: implementations must ignore what stands after the closing delimiter line."""
    sink = Sink()
    body = part("file", b"the recording", "a.wav") + end + b"\r\n" + epilogue
    call = call_with(body)
    receive(call, sink, max_file_bytes=LIMIT)
    assert sink.content == b"the recording"
    assert call.stream.read(1) == b"", "all of it was read, so that the connection can be used again"


@pytest.mark.parametrize("declared", [True, False])
def test_what_follows_the_last_boundary_counts_against_the_limit(declared: bool) -> None:
    call = call_with(part("file", b"x", "a.wav") + END + bytes(1_000_000))
    call.max_content_length = 500_000
    if not declared:
        del call.environ["CONTENT_LENGTH"]
    with pytest.raises(Problem) as caught:
        receive(call, Sink(), max_file_bytes=500_000)
    assert caught.value.kind.status == 413


def test_an_empty_description_is_a_description() -> None:
    assert receive(call_with(part("about", b"") + part("file", b"x", "a") + END), Sink(), max_file_bytes=9).about == b""


BROKEN = [
    ("no part", END, "no-file", "no part at all"),
    ("no file", part("about", b"{}") + END, "no-file", "missing"),
    ("two files", part("file", b"x", "a") + part("file", b"y", "b") + END, "part-twice", "'file'"),
    ("two descriptions", part("about", b"{}") + part("about", b"{}") + END, "part-twice", "'about'"),
    ("unknown part", part("file", b"x", "a") + part("photo", b"y", "b") + END, "unknown-part", "photo"),
    ("cut in the recording", part("file", b"x" * 90, "a")[:-20], "broken-multipart", "cut off"),
    ("no last boundary", part("file", b"x", "a"), "broken-multipart", "cut off"),
    ("nothing", b"", "broken-multipart", "cut off"),
    ("other boundary", part("file", b"x", "a", "another") + b"--another--", "broken-multipart", "cut off"),
    ("no disposition", f"--{BOUNDARY}\r\nX: y\r\n\r\nz\r\n".encode() + END, "broken-multipart", "Content-Disposition"),
    ("no name", part("file", b"x", "a").replace(b'name="file"; ', b"") + END, "broken-multipart", "no name"),
    ("headers not UTF-8", part("file", b"x", "a").replace(b'"a"', b'"\xff"') + END, "broken-multipart", "UTF-8"),
    ("endless headers", f"--{BOUNDARY}\r\n".encode() + b"X: y\r\n" * 40_000, "broken-multipart", "headers of a part"),
    ("endless preamble", b"x" * 200_000, "broken-multipart", "stands before"),
    ("long description", part("about", b" " * 70_000) + part("file", b"x", "a") + END, "invalid-about", "65536"),
]


@pytest.mark.parametrize(("body", "slug", "words"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN])
def test_a_broken_body_has_its_problem(body: bytes, slug: str, words: str) -> None:
    with pytest.raises(Problem, match=words) as caught:
        receive(call_with(body), Sink(), max_file_bytes=LIMIT)
    assert caught.value.kind.slug == slug


@pytest.mark.parametrize(
    ("content_type", "slug"),
    [
        ("application/json", "not-multipart"),
        ("audio/wav", "not-multipart"),
        ("", "not-multipart"),
        ("multipart/form-data", "broken-multipart"),
        ("multipart/form-data; boundary=" + "x" * 71, "broken-multipart"),
    ],
)
def test_another_content_type_is_refused(content_type: str, slug: str) -> None:
    with pytest.raises(Problem) as caught:
        receive(call_with(part("file", b"x", "a") + END, content_type), Sink(), max_file_bytes=LIMIT)
    assert caught.value.kind.slug == slug


def test_a_recording_past_the_limit_is_refused_while_it_comes() -> None:
    sink = Sink()
    with pytest.raises(Problem, match="more than 2000 bytes") as caught:
        receive(call_with(part("file", bytes(1_000_000), "a.wav") + END), sink, max_file_bytes=2000)
    assert caught.value.kind.status == 413
    assert len(sink.content) <= 2000


def test_a_recording_of_exactly_the_limit_is_taken() -> None:
    sink = Sink()
    receive(call_with(part("file", bytes(2000), "a.wav") + END), sink, max_file_bytes=2000)
    assert len(sink.content) == 2000


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("strum.wav", "strum.wav"),
        ("C:\\takes\\strum 1.wav", "strum 1.wav"),
        ("../../etc/passwd", "passwd"),
        ("a/b/", "recording"),
        ("..", "recording"),
        ("", "recording"),
        ("a\r\nSet-Cookie: b.wav", "aSet-Cookie: b.wav"),
        ("Gitarre, ün.wav", "Gitarre, ün.wav"),
        ("x" * 300 + ".flac", "x" * 195 + ".flac"),
        ("=cmd()|x.wav", "=cmd()|x.wav"),
        ("\x9b31mred\x85.wav", "31mred.wav"),  # C1 controls: a terminal may obey them
        ("\u202evaw.exe", "vaw.exe"),  # shown backwards
    ],
)
def test_a_file_name_is_only_a_name(sent: str, kept: str) -> None:
    assert upload.clean_file_name(sent) == kept
