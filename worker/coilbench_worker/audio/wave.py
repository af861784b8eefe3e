"""Reads the header of RIFF/WAVE, big-endian RIFX and RF64, with WAVE_FORMAT_EXTENSIBLE.

Sources: the facts collected in checkvalues.md section 15: chunks padded to even length (RIFF 1991; BS.2088-1), `fmt `
before `data`, sizes 14/16/18/40 of `fmt `, extensible sub-formats (Microsoft Learn), `ds64` (EBU Tech 3306).

Of chunks that are there more than once the first counts.

What the size of the `data` chunk can mean, besides the size:

* within 4 KiB below 2^32, or within 4 KiB of 2^31 from below (0xFFFFFFFF, 0x7FFFF000, ...), with fewer bytes behind:
  a program that wrote to a pipe and could not go back. The samples run to the end of the file, and nothing is known to
  be missing;
* 0 with bytes behind it that are not chunks: a recorder stopped before it completed the header. The samples run to the
  end of the file, and the recording is reported as truncated, because its end may be lost;
* 0 with nothing but whole chunks behind it: an empty recording;
* more than the bytes there: a truncated file, measured as far as it goes.
"""

import struct
from dataclasses import dataclass
from typing import BinaryIO

from coilbench_worker.audio.layout import (
    MAX_CHUNKS,
    Extent,
    Header,
    extent_of,
    integer_encoding,
    only_chunks,
    printable,
    read_at,
    read_exactly,
)
from coilbench_worker.audio.refusal import DamagedHeader, NoSamples, UnsupportedEncoding

PCM, FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
SUBFORMAT_TAIL = bytes.fromhex("000000001000800000AA00389B71")  # after the two bytes of the tag
FORMAT_NAMES = {  # registered tags, from memory of the public registry (RFC 2361)
    0x0002: "MS ADPCM",
    0x0006: "A-law",
    0x0007: "mu-law",
    0x0011: "IMA ADPCM",
    0x0031: "GSM 6.10",
    0x0040: "G.721 ADPCM",
    0x0050: "MPEG layer 1 or 2",
    0x0055: "MP3 (MPEG layer 3)",
    0x0092: "AC-3 over S/PDIF",
    0x00FF: "AAC",
    0x0161: "WMA",
    0x1610: "AAC",
    0x674F: "Ogg Vorbis",
    0xF1AC: "FLAC inside WAV",
}
UNKNOWN_32 = 0xFFFFFFFF
UNKNOWN_RANGES = ((0x7FFFF000, 0x80000000), (0xFFFFF000, 0xFFFFFFFF))
UNKNOWN_64_FROM = 1 << 48  # no disk holds that: a filler, not a size


@dataclass(frozen=True, slots=True)
class _Format:
    encoding: str
    integer_bits: int | None
    channels: int
    rate_hz: int
    frame_bytes: int


def read_wave(file: BinaryIO, total_bytes: int) -> Header:
    """The header of a WAVE file, which starts with RIFF, RIFX or RF64.

    Raises
    ------
    DamagedHeader, UnsupportedEncoding, NoSamples
    """
    outer = read_at(file, 0, 4)
    order = ">" if outer == b"RIFX" else "<"
    form: _Format | None = None
    long_bytes: int | None = None
    unpadded: str | None = None
    offset = 12
    for _ in range(MAX_CHUNKS):
        head = read_at(file, offset, 8)
        if len(head) < 8:
            break
        name, size = head[:4], int(struct.unpack(order + "I", head[4:])[0])
        if name == b"data":
            if form is None:
                raise DamagedHeader(
                    f"The chunk 'data' at byte {offset:,} comes before 'fmt ', so the samples have no known form."
                )
            if outer == b"RF64" and size == UNKNOWN_32 and long_bytes is None:
                raise DamagedHeader(
                    "The file is RF64 and leaves its size to a chunk 'ds64' that is not there (EBU Tech 3306)."
                )
            extent = _extent(file, offset + 8, size, long_bytes, total_bytes, form.frame_bytes, order)
            return Header(
                container="rf64" if outer == b"RF64" else "wav",
                encoding=form.encoding,
                integer_bits=form.integer_bits,
                channels=form.channels,
                rate_hz=form.rate_hz,
                declared_frames=extent.declared_frames,
                frames=extent.frames,
                truncated=extent.truncated,
                missing_bytes=extent.missing_bytes,
                data_offset=offset + 8,
                data_bytes=extent.data_bytes,
                big_endian=order == ">",
            )
        if name == b"fmt " and form is None:
            form = _format(read_exactly(file, offset + 8, min(size, 40), "the chunk 'fmt '"), size, order)
        elif name == b"ds64" and outer == b"RF64" and long_bytes is None:
            if size < 24:
                raise DamagedHeader(f"The chunk 'ds64' has {size} bytes instead of at least 24 (EBU Tech 3306).")
            long_bytes = int(struct.unpack("<Q", read_exactly(file, offset + 16, 8, "the chunk 'ds64'"))[0])
        if size % 2 and not printable(read_at(file, offset + 8 + size + 1, 4)):
            unpadded = f"{name.decode('ascii', 'replace')!r} at byte {offset:,} with its odd size of {size:,}"
        offset += 8 + size + size % 2
    else:
        raise DamagedHeader(f"No chunk 'data' among the first {MAX_CHUNKS} chunks.")
    if unpadded is not None:
        raise DamagedHeader(
            f"No chunk 'data' was found after the chunk {unpadded}: its pad byte seems to be missing, which breaks the"
            " chain of chunks (RIFF pads odd chunks to an even length)."
        )
    missing = "'fmt ' and 'data'" if form is None else "'data'"
    raise DamagedHeader(
        f"No chunk {missing} in the {total_bytes:,} bytes: the file was cut short or its chunk sizes are wrong."
    )


def _format(body: bytes, size: int, order: str) -> _Format:
    if size < 14 or len(body) < 14:
        raise DamagedHeader(f"The chunk 'fmt ' has {size} bytes; the shortest known form has 14.")
    tag, channels, rate_hz, _, frame_bytes = struct.unpack(order + "HHIIH", body[:14])
    if channels < 1:
        raise DamagedHeader("The chunk 'fmt ' says 0 channels.")
    bits = struct.unpack(order + "H", body[14:16])[0] if len(body) >= 16 else 8 * frame_bytes // channels
    valid_bits = bits
    if tag == EXTENSIBLE:
        tag, valid_bits = _extensible(body, size, bits, order)
    if tag == PCM:
        encoding, integer_bits = _integer(bits, valid_bits)
    elif tag == FLOAT:
        if bits not in (32, 64):
            raise UnsupportedEncoding(f"The samples are floating point of {bits} bits; 32 and 64 are measured.")
        encoding, integer_bits = f"float{bits}", None
    else:
        raise UnsupportedEncoding(
            f"The samples are {FORMAT_NAMES.get(tag, 'of an unknown form')} (format tag 0x{tag:04X})."
        )
    expected = channels * ((bits + 7) // 8)
    if frame_bytes != expected:
        raise DamagedHeader(
            f"The chunk 'fmt ' says {frame_bytes} bytes for a frame, but {channels} channel(s) of {bits} bits take"
            f" {expected}."
        )
    return _Format(encoding, integer_bits, channels, rate_hz, frame_bytes)


def _extensible(body: bytes, size: int, bits: int, order: str) -> tuple[int, int]:
    if size < 40 or len(body) < 40:
        raise DamagedHeader(f"The chunk 'fmt ' is WAVE_FORMAT_EXTENSIBLE but has {size} bytes instead of 40.")
    if order == ">":
        raise UnsupportedEncoding(
            "The file is big-endian (RIFX) with WAVE_FORMAT_EXTENSIBLE, which no standard defines."
        )
    valid_bits, tag = int(struct.unpack("<H", body[18:20])[0]), int(struct.unpack("<H", body[24:26])[0])
    if body[26:40] != SUBFORMAT_TAIL or tag == EXTENSIBLE:
        raise UnsupportedEncoding(
            f"The sub-format {body[24:40].hex()} of WAVE_FORMAT_EXTENSIBLE is neither PCM nor floating point."
        )
    if valid_bits > bits:
        raise DamagedHeader(f"The chunk 'fmt ' says {valid_bits} valid bits in samples of {bits} bits.")
    return tag, valid_bits or bits


def _integer(bits: int, valid_bits: int) -> tuple[str, int]:
    if bits < 1:
        raise DamagedHeader("The chunk 'fmt ' says PCM samples of 0 bits.")
    if bits > 32:
        raise UnsupportedEncoding(f"The samples are integers of {bits} bits; up to 32 are measured.")
    return integer_encoding(bits, unsigned_byte=True), valid_bits


def _extent(
    file: BinaryIO, start: int, size: int, long_bytes: int | None, total_bytes: int, frame_bytes: int, order: str
) -> Extent:
    there = max(total_bytes - start, 0)
    declared = size
    if long_bytes is not None and size == UNKNOWN_32:
        declared = long_bytes
    if declared == 0 and there > 0:
        if only_chunks(file, start, total_bytes, order):
            raise NoSamples("The chunk 'data' is empty and only other chunks follow: nothing was recorded.")
        return extent_of(None, there, frame_bytes, unfinished=True)
    if declared > there and (declared >= UNKNOWN_64_FROM or any(a <= declared <= b for a, b in UNKNOWN_RANGES)):
        return extent_of(None, there, frame_bytes)
    return extent_of(declared, there, frame_bytes)
