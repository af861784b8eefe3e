"""The chain of FLAC frames: headers read as RFC 9639 has them, and what follows told from what only looks like it."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.audio.flac_frames import BEGINNING, FrameHead, chain, frame_head, frames
from faults.literal_flac import Damaged, frame_at, head_of
from material.flac_stream import coded, crc8, crc16, header_bytes, numbered, sealed, silent_frame

# RFC 9639 appendix D.1, the only frame of the first example: from memory, and both its checksums fit.
EXAMPLE = bytes.fromhex("fff869180000bf0358fd03128baa9a")
FORM = (48_000, 1, 16)
BLOCK = 256


def verbatim(number: int, content: bytes) -> bytes:
    """A frame of 256 samples of 16 bits as they are."""
    assert len(content) == 2 * BLOCK
    return sealed(b"\xff\xf8\x8a\x08" + coded(number) + b"\0\x02" + content + b"\0\0")


def content(seed: int, inside: bytes = b"") -> bytes:
    """Random samples with some bytes of one's own among them."""
    found = np.random.default_rng(seed).bytes(2 * BLOCK).replace(b"\xff\xf8", b"\0\0")
    return found[:100] + inside + found[100 + len(inside) :]


def followed(stream: bytes, most: int = 1 << 40) -> tuple[int, int, bool]:
    found = chain(io.BytesIO(stream), 0, len(stream), FORM, most)
    return found.samples, found.end, found.whole


def test_the_example_of_the_standard() -> None:
    assert frame_head(EXAMPLE) == FrameHead(variable=False, block=1, rate_hz=44_100, channels=2, bits=16, number=0)
    head, codes, end = frame_at(EXAMPLE, 0, 16)
    assert (head.number, codes.tolist(), end) == (0, [[25_588, 10_416]], len(EXAMPLE))


@settings(max_examples=1_500, deadline=None, derandomize=True)
@given(st.binary(min_size=14, max_size=14), st.booleans(), st.one_of(st.none(), st.integers(0, (1 << 36) - 1)))
def test_any_header_is_read_as_the_decoder_of_the_tests_reads_it(
    rest: bytes, variable: bool, number: int | None
) -> None:
    """Two readers written apart, on headers whose CRC-8 is made to fit."""
    data = bytes([0xFF, 0xF8 | variable]) + rest
    if number is not None:
        data = (data[:4] + coded(number) + data[4:])[:16]
    end = header_bytes(data)
    if end < len(data):
        data = data[:end] + bytes([crc8(data[:end])]) + data[end + 1 :]
    found = frame_head(data)
    try:
        head = head_of(data, 0)
    except Damaged:
        assert found is None
        return
    theirs = FrameHead(head.variable, head.block, head.rate_hz or 0, head.channels, head.bits or 0, head.number)
    assert found == theirs


def test_beginnings_looked_for_are_those_without_anything_reserved() -> None:
    """All 65,536 of them, against the reader of the header (RFC 9639 section 9.1)."""
    for third in range(256):
        for fourth in range(256):
            data = bytes([0xFF, 0xF8, third, fourth]) + bytes(12)
            end = header_bytes(data)
            data = data[:end] + bytes([crc8(data[:end])]) + data[end + 1 :]
            assert (BEGINNING.match(data) is not None) is (frame_head(data) is not None), data[:4].hex()


@pytest.mark.parametrize("number", [0, 127, 128, 2047, 2048, 65_535, 65_536, 2**21, 2**26, 2**31 - 1, 2**36 - 1])
def test_numbers_of_every_length_are_read(number: int) -> None:
    found = frame_head(numbered(silent_frame(0, 4096, 1, 16), number))
    assert found is not None
    assert found.number == number


@pytest.mark.parametrize("cut", range(len(EXAMPLE[:7])))
def test_a_header_that_is_cut_is_none(cut: int) -> None:
    assert frame_head(EXAMPLE[:cut]) is None


def test_frames_that_follow_each_other_are_counted_with_their_places() -> None:
    parts = [verbatim(number, content(number)) for number in range(5)]
    stream = b"".join(parts)
    assert followed(stream) == (5 * BLOCK, len(stream), True)
    found = list(frames(io.BytesIO(stream), 0, len(stream), FORM))
    assert [frame.start for frame in found] == [number * BLOCK for number in range(5)]
    assert [frame.offset for frame in found] == [number * len(parts[0]) for number in range(5)]


@pytest.mark.parametrize("number", [2, 3, 7, 100])
def test_what_looks_like_a_header_within_a_frame_is_passed_over(number: int) -> None:
    """With the number of the next frame, or of any other."""
    inside = verbatim(number, content(0))[:7]
    assert frame_head(inside + bytes(9)) is not None
    stream = b"".join(verbatim(n, content(n, inside if n == 1 else b"")) for n in range(5))
    assert followed(stream) == (5 * BLOCK, len(stream), True)


def test_a_chain_ends_where_a_number_does_not_follow() -> None:
    parts = [verbatim(number, content(number)) for number in (0, 1, 2, 5, 6)]
    assert followed(b"".join(parts)) == (3 * BLOCK, sum(map(len, parts[:3])), True)


@pytest.mark.parametrize("other", [silent_frame(2, BLOCK, 2, 16), silent_frame(3, BLOCK, 2, 16), EXAMPLE])
def test_a_chain_ends_where_frames_of_another_form_begin(other: bytes) -> None:
    """A CRC-16 can't tell: that of two frames, one behind the other, is 0 as well."""
    parts = [verbatim(0, content(0)), verbatim(1, content(1))]
    assert followed(b"".join(parts) + other) == (2 * BLOCK, sum(map(len, parts)), True)


def test_a_frame_without_a_header_that_can_be_read_is_not_the_end_of_the_one_before() -> None:
    """Its CRC-16 fits, its CRC-8 does not."""
    parts = [verbatim(number, content(number)) for number in range(3)]
    broken = bytearray(parts[2])
    broken[5] ^= 1
    broken[-2:] = crc16(bytes(broken[:-2])).to_bytes(2, "big")
    stream = parts[0] + parts[1] + bytes(broken)
    assert crc16(stream) == 0
    assert followed(stream) == (2 * BLOCK, len(stream), False)


def test_a_last_frame_that_is_cut_is_not_whole() -> None:
    stream = b"".join(verbatim(number, content(number)) for number in range(3))
    assert followed(stream[:-1]) == (3 * BLOCK, len(stream) - 1, False)
    for junk in (b"\1", b"\0\0\0", bytes(600)):
        assert followed(stream + junk) == (3 * BLOCK, len(stream) + len(junk), False)


def test_a_checksum_of_zeros_is_one() -> None:
    """What ends with its own CRC-16 has one of 0."""
    begun = verbatim(0, content(3))[:-4]
    frame = begun + crc16(begun).to_bytes(2, "big") + b"\0\0"
    assert sealed(frame) == frame
    assert followed(frame) == (BLOCK, len(frame), True)


def test_a_chain_is_followed_no_further_than_asked() -> None:
    stream = b"".join(silent_frame(number, 65_535, 1, 16) for number in range(1_000))
    assert chain(io.BytesIO(stream), 0, len(stream), FORM, 100_000).samples == 2 * 65_535


def test_headers_at_the_seams_of_what_is_read_at_once_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = b"".join(verbatim(number, content(number)) for number in range(40))
    for size in (16, 100, 521, 522, 523):
        monkeypatch.setattr("coilbench_worker.audio.flac_frames.READ_BYTES", size)
        assert followed(stream) == (40 * BLOCK, len(stream), True)
