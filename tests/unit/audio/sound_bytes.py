"""Sound files built byte by byte for the tests of `audio`, without the code under test."""

import struct

import numpy as np

from material.flac_stream import silent_frame

RATE_HZ = 48_000
PCM_GUID = bytes.fromhex("0100000000001000800000AA00389B71")
FLOAT_GUID = bytes.fromhex("0300000000001000800000AA00389B71")


def codes(frames: int = 480, channels: int = 1, bits: int = 16, seed: int = 5) -> np.ndarray:
    """Random integer codes over the whole range of `bits`, with both extremes; shape (frames, channels)."""
    top = 1 << bits - 1
    found = np.random.default_rng(seed).integers(-top, top, (frames, channels), dtype=np.int64)
    found[0], found[1] = -top, top - 1
    return found


def packed(values: np.ndarray, sample_bytes: int, *, big_endian: bool = False, offset: int = 0) -> bytes:
    """Integer codes as bytes."""
    order = "big" if big_endian else "little"
    return b"".join(
        (int(code) + offset & (1 << 8 * sample_bytes) - 1).to_bytes(sample_bytes, order) for code in values.ravel()
    )


def chunk(name: bytes, body: bytes, *, size: int | None = None, pad: bool = True, order: str = "<") -> bytes:
    """One chunk; `size` lies about the length of `body`."""
    head = name + struct.pack(order + "I", len(body) if size is None else size)
    return head + body + (b"\0" if pad and len(body) % 2 else b"")


def fmt(
    tag: int = 1,
    channels: int = 1,
    rate_hz: int = RATE_HZ,
    bits: int = 16,
    *,
    frame_bytes: int | None = None,
    extra: bytes = b"",
    order: str = "<",
) -> bytes:
    """The body of a chunk `fmt `."""
    block = channels * ((bits + 7) // 8) if frame_bytes is None else frame_bytes
    rate_bytes = rate_hz * block & 0xFFFFFFFF
    return struct.pack(order + "HHIIHH", tag, channels, rate_hz, rate_bytes, block, bits) + extra


def extensible(guid: bytes, channels: int, bits: int, valid_bits: int) -> bytes:
    """The body of a `fmt ` chunk of 40 bytes."""
    return fmt(0xFFFE, channels, bits=bits, extra=struct.pack("<HHI", 22, valid_bits, 0) + guid)


def wav(*chunks: bytes, outer: bytes = b"RIFF", riff_size: int | None = None) -> bytes:
    """A WAVE file of these chunks."""
    body = b"WAVE" + b"".join(chunks)
    order = ">" if outer == b"RIFX" else "<"
    return outer + struct.pack(order + "I", len(body) if riff_size is None else riff_size) + body


def pcm_wav(frames: int = 480, channels: int = 1, bits: int = 16, seed: int = 5) -> bytes:
    """A plain PCM file of random codes."""
    values = codes(frames, channels, bits, seed)
    offset = 128 if bits == 8 else 0
    return wav(
        chunk(b"fmt ", fmt(1, channels, bits=bits)), chunk(b"data", packed(values, (bits + 7) // 8, offset=offset))
    )


def ds64(data_bytes: int, frames: int, riff_bytes: int = 0) -> bytes:
    """The chunk of RF64 that holds the long sizes."""
    return chunk(b"ds64", struct.pack("<QQQI", riff_bytes, data_bytes, frames, 0))


def extended(rate_hz: float) -> bytes:
    """An 80-bit extended number."""
    mantissa, exponent = np.frexp(rate_hz)
    return struct.pack(">HQ", 16382 + int(exponent), int(mantissa * 2**64))


def aiff(
    frames: int,
    channels: int,
    bits: int,
    samples: bytes,
    *,
    kind: bytes | None = None,
    sound_size: int | None = None,
    sound_first: bool = False,
    rate_hz: float = RATE_HZ,
) -> bytes:
    """An AIFF file, or AIFC when `kind` is given."""
    common = struct.pack(">hIh", channels, frames, bits) + extended(rate_hz)
    if kind is not None:
        common += kind + b"\0\0"
    parts = [
        chunk(b"COMM", common, order=">"),
        chunk(b"SSND", struct.pack(">II", 0, 0) + samples, size=sound_size, order=">"),
    ]
    if sound_first:
        parts.reverse()
    body = (b"AIFF" if kind is None else b"AIFC") + b"".join(parts)
    return b"FORM" + struct.pack(">I", len(body)) + body


def with_flac_total(flac: bytes, frames: int) -> bytes:
    """The same FLAC stream with another promise in STREAMINFO (RFC 9639 section 8.2: the low 36 of these 64 bits)."""
    packed_fields = int.from_bytes(flac[18:26], "big")
    return flac[:18] + (packed_fields >> 36 << 36 | frames).to_bytes(8, "big") + flac[26:]


def flac_head(
    rate_hz: int = 48_000, channels: int = 1, bits: int = 16, frames: int = 4096, audio: bytes = b""
) -> bytes:
    """A FLAC stream of STREAMINFO and a frame of silence, or `audio` (RFC 9639 section 8.2)."""
    fields = rate_hz << 44 | channels - 1 << 41 | bits - 1 << 36 | frames
    head = b"fLaC" + b"\0\0\0\x22" + struct.pack(">HH", 4096, 4096) + bytes(6) + fields.to_bytes(8, "big") + bytes(16)
    return head[:4] + b"\x80" + head[5:] + (audio or silent_frame(0, 4096, channels, bits))
