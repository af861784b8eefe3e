"""Reads the header of AIFF and of AIFC with uncompressed samples.

Sources: the AIFF 1.3 and AIFF-C specifications, from memory: big-endian chunks padded to even length; COMM (channels,
frames, bits, rate as an 80-bit extended number, in AIFC a compression type) and SSND (offset, block size, samples) in
any order. Checked against libsndfile in tests/unit/audio.

COMM promises the frames, and they lie within SSND: a chunk that is smaller than the promise is a truncated recording,
one that is larger has something else behind the samples. Of two sizes one of which is 0 the other counts, and with both
0 the samples run to the end of the file; a recorder never came back to complete such a header, so it is reported as
truncated.
"""

import math
import struct
from dataclasses import dataclass
from typing import BinaryIO

from coilbench_worker.audio.layout import (
    MAX_CHUNKS,
    Header,
    extent_of,
    integer_encoding,
    only_chunks,
    read_at,
    read_exactly,
)
from coilbench_worker.audio.refusal import DamagedHeader, NoSamples, SampleRateOutOfRange, UnsupportedEncoding

INTEGER_KINDS = {b"NONE": True, b"twos": True, b"in24": True, b"in32": True, b"sowt": False}  # kind: big-endian?
FLOAT_KINDS = {b"fl32": 32, b"FL32": 32, b"fl64": 64, b"FL64": 64}
KIND_NAMES = {b"ulaw": "mu-law", b"ULAW": "mu-law", b"alaw": "A-law", b"ALAW": "A-law", b"ima4": "IMA ADPCM"}


@dataclass(frozen=True, slots=True)
class _Common:
    channels: int
    frames: int
    bits: int
    rate_hz: int
    kind: bytes


def read_aiff(file: BinaryIO, total_bytes: int) -> Header:
    """The header of a file that starts with FORM and AIFF or AIFC.

    Raises
    ------
    DamagedHeader, UnsupportedEncoding, SampleRateOutOfRange, NoSamples
    """
    compressed = read_at(file, 8, 4) == b"AIFC"
    common: _Common | None = None
    sound: tuple[int, int] | None = None  # first sample, bytes declared
    offset = 12
    for _ in range(MAX_CHUNKS):
        head = read_at(file, offset, 8)
        if len(head) < 8 or (common is not None and sound is not None):
            break
        name, size = head[:4], int(struct.unpack(">I", head[4:])[0])
        if name == b"COMM" and common is None:
            needed = 22 if compressed else 18
            common = _common(read_exactly(file, offset + 8, needed, "the chunk 'COMM'"), size, compressed)
        elif name == b"SSND" and sound is None:
            skip = int(struct.unpack(">I", read_exactly(file, offset + 8, 8, "the chunk 'SSND'")[:4])[0])
            sound = (offset + 16 + skip, size - 8 - skip)
        offset += 8 + size + size % 2
    else:
        raise DamagedHeader(f"No chunks 'COMM' and 'SSND' among the first {MAX_CHUNKS} chunks.")
    if common is None or sound is None:
        missing = "COMM" if common is None else "SSND"
        raise DamagedHeader(
            f"No chunk {missing!r} in the {total_bytes:,} bytes: the file was cut short or its chunk sizes are wrong."
        )
    if common.frames == 0 and sound[1] <= 0 and only_chunks(file, sound[0], total_bytes, ">"):
        raise NoSamples("The chunk 'SSND' is empty and only other chunks follow: nothing was recorded.")
    return _header(common, sound, total_bytes)


def _header(common: _Common, sound: tuple[int, int], total_bytes: int) -> Header:
    encoding, integer_bits, sample_bytes, big_endian = _form(common)
    start, sound_bytes = sound
    frame_bytes = common.channels * sample_bytes
    there = max(total_bytes - start, 0)
    promise = common.frames * frame_bytes
    if promise > 0 and sound_bytes > 0:
        there = min(there, sound_bytes)
    declared = promise if promise > 0 else sound_bytes if sound_bytes > 0 else None
    extent = extent_of(declared, there, frame_bytes, unfinished=promise == 0 or sound_bytes <= 0)
    return Header(
        container="aiff",
        encoding=encoding,
        integer_bits=integer_bits,
        channels=common.channels,
        rate_hz=common.rate_hz,
        declared_frames=extent.declared_frames,
        frames=extent.frames,
        truncated=extent.truncated,
        missing_bytes=extent.missing_bytes,
        data_offset=start,
        data_bytes=extent.data_bytes,
        big_endian=big_endian,
    )


def _common(body: bytes, size: int, compressed: bool) -> _Common:
    if size < len(body):
        raise DamagedHeader(f"The chunk 'COMM' has {size} bytes instead of at least {len(body)}.")
    channels, frames, bits = struct.unpack(">hIh", body[:8])
    if channels < 1:
        raise DamagedHeader(f"The chunk 'COMM' says {channels} channels.")
    return _Common(channels, frames, bits, _extended_rate(body[8:18]), body[18:22] if compressed else b"NONE")


def _form(common: _Common) -> tuple[str, int | None, int, bool]:
    """Encoding, valid bits, bytes of a sample, big-endian."""
    if common.kind in FLOAT_KINDS:
        bits = FLOAT_KINDS[common.kind]
        return f"float{bits}", None, bits // 8, True
    if common.kind not in INTEGER_KINDS:
        name = KIND_NAMES.get(common.kind, "compressed")
        raise UnsupportedEncoding(f"The samples are {name} (AIFF-C type {common.kind.decode('ascii', 'replace')!r}).")
    if not 1 <= common.bits <= 32:
        raise DamagedHeader(f"The chunk 'COMM' says samples of {common.bits} bits; 1 to 32 are possible.")
    encoding = integer_encoding(common.bits, unsigned_byte=False)
    return encoding, common.bits, (common.bits + 7) // 8, INTEGER_KINDS[common.kind]


def _extended_rate(number: bytes) -> int:
    """Rate in whole hertz from an 80-bit extended number."""
    exponent, mantissa = struct.unpack(">HQ", number)
    if exponent & 0x8000 or exponent == 0x7FFF or exponent - 16383 > 62:
        raise SampleRateOutOfRange(f"The chunk 'COMM' gives the sample rate as 0x{number.hex()}, which is none.")
    return round(math.ldexp(mantissa, exponent - 16383 - 63))
