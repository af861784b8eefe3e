"""Reads STREAMINFO of a FLAC stream, also behind an ID3v2 tag.

Source: RFC 9639 sections 8.1, 8.2 (STREAMINFO) and 9 (frames). How many frames there really are, only decoding tells;
here the promise is held against what the bytes could hold at the very most (a frame of constant subframes), and rate,
channels and bits against the first frame.

The decoder never sees the metadata of the file: it is shown a STREAMINFO of our own making before the frames (the
`preamble`), so that comments, pictures and seek tables from outside can do no harm, and block sizes and length are
those of the frames.
"""

from typing import BinaryIO

from coilbench_worker.audio.flac_frames import HEADER_BYTES, FrameHead, frame_head
from coilbench_worker.audio.layout import MAX_CHUNKS, Header, read_at, read_exactly
from coilbench_worker.audio.refusal import DamagedHeader, NoSamples, UnsupportedEncoding

DECODED_BITS = (8, 16, 24)  # libsndfile 1.2 decodes these
ID3V1_BYTES = 128


def read_flac(file: BinaryIO, start: int, total_bytes: int) -> Header:
    """The header of the FLAC stream that begins at byte `start` with `fLaC`.

    Raises
    ------
    DamagedHeader, UnsupportedEncoding, NoSamples
    """
    block_type, length = _block(read_exactly(file, start + 4, 4, "the FLAC header"))
    if block_type != 0 or length != 34:
        raise DamagedHeader(
            f"The first FLAC block is of type {block_type} with {length} bytes; STREAMINFO (type 0, 34 bytes) has to be"
            " first (RFC 9639)."
        )
    body = read_exactly(file, start + 8, 34, "the FLAC block STREAMINFO")
    packed = int.from_bytes(body[10:18], "big")
    rate_hz, channels, bits = packed >> 44, (packed >> 41 & 7) + 1, (packed >> 36 & 31) + 1
    declared = packed & (1 << 36) - 1
    if bits not in DECODED_BITS:
        raise UnsupportedEncoding(f"The FLAC samples have {bits} bits; 8, 16 and 24 are measured.")
    end = total_bytes - (ID3V1_BYTES if read_at(file, max(total_bytes - ID3V1_BYTES, 0), 3) == b"TAG" else 0)
    first = _first_frame(file, start + 4, end)
    opening = frame_head(read_at(file, first, min(HEADER_BYTES, end - first)))
    if opening is None:
        raise DamagedHeader(f"No FLAC frame begins at byte {first:,}, where the metadata ends.")
    if not opening.agrees(rate_hz, channels, bits):
        raise DamagedHeader(
            f"STREAMINFO says {rate_hz:,} Hz, {channels} channel(s) and {bits} bits; the first frame says"
            f" {opening.rate_hz or rate_hz:,} Hz, {opening.channels} channel(s) and {opening.bits or bits} bits."
        )
    smallest_frame = 8 + 2 * channels  # header 6, a constant subframe of 2 or more for each channel, CRC-16
    could_hold = (end - first) // smallest_frame * (int.from_bytes(body[2:4], "big") or 65_535)
    if declared > could_hold:
        raise DamagedHeader(
            f"STREAMINFO promises {declared:,} frames; the {end - first:,} bytes behind it can hold {could_hold:,} at"
            " most: the header is wrong, or most of the file is missing."
        )
    return Header(
        container="flac",
        encoding=f"pcm_s{bits}",
        integer_bits=bits,
        channels=channels,
        rate_hz=rate_hz,
        declared_frames=declared or None,
        frames=declared or None,
        truncated=False,
        missing_bytes=0,
        data_offset=first,
        data_bytes=end - first,
        preamble=_preamble(packed >> 36 << 36 | declared, opening),
    )


def with_total(preamble: bytes, frames: int) -> bytes:
    """The same preamble for a stream of so many frames."""
    packed = int.from_bytes(preamble[18:26], "big")
    return preamble[:18] + (packed >> 36 << 36 | frames & (1 << 36) - 1).to_bytes(8, "big") + preamble[26:]


def _preamble(packed: int, opening: FrameHead) -> bytes:
    """A stream's beginning as the decoder is to see it: STREAMINFO alone, its block sizes from the first frame."""
    least, most = (16, 65_535) if opening.variable else (opening.block, min(opening.block, 65_535))
    sizes = least.to_bytes(2, "big") + most.to_bytes(2, "big")
    return b"fLaC\x80\0\0\x22" + sizes + bytes(6) + packed.to_bytes(8, "big") + bytes(16)


def _block(head: bytes) -> tuple[int, int]:
    return head[0] & 0x7F, int.from_bytes(head[1:4], "big")


def _first_frame(file: BinaryIO, offset: int, end: int) -> int:
    """Where the frames start, behind the metadata blocks."""
    for _ in range(MAX_CHUNKS):
        head = read_exactly(file, offset, 4, "the FLAC metadata")
        offset += 4 + _block(head)[1]
        if head[0] & 0x80:
            break
    else:
        raise DamagedHeader(f"More than {MAX_CHUNKS} FLAC metadata blocks.")
    if offset >= end:
        raise NoSamples(
            f"The FLAC metadata ends at byte {offset:,} and the file has {end:,}: nothing was recorded, or the transfer"
            " stopped within the metadata."
        )
    return offset
