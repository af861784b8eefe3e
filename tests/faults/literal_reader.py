"""What a sound file holds, read literally and simply with numpy, for comparing: no code of the program is used.

Where a container contradicts itself, these rules say what is right (wave.py, aiff.py and flac.py have them as well):

* chunks are walked from byte 12 by their sizes, each padded to an even length; the first `fmt `, `ds64`, `data`,
  `COMM` and `SSND` count;
* sound is what is there of the size that `data` declares. A size that only a program without an end would write (close
  below 2^31 or 2^32, or beyond 2^48 in `ds64`) and one of 0 before bytes that are no chunks mean: to the file's end;
* AIFF: as many frames as COMM says, or as SSND says if these are fewer; one that says 0 says nothing;
* FLAC: see literal_flac; frames beyond STREAMINFO's promise count, bytes beyond it that are no frame do not.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np

from faults import literal_flac

PCM_TAIL = bytes.fromhex("000000001000800000AA00389B71")
CHUNKS = 1024


class Refused(Exception):
    """Not to be measured; `codes` are the reasons that fit."""

    def __init__(self, *codes: str) -> None:
        super().__init__(*codes)
        self.codes = frozenset(codes)


@dataclass(frozen=True)
class Sound:
    """Samples of shape (frames, channels), full scale = 1.0; whether the file promised more."""

    samples: np.ndarray
    rate_hz: int
    truncated: bool


@dataclass(frozen=True)
class Bounds:
    """What is refused by its size."""

    channels: int
    samples: int
    seconds: float
    rates_hz: tuple[int, int] = (8_000, 384_000)

    def most(self, rate_hz: int, channels: int) -> int:
        """Frames."""
        return min(int(self.seconds * rate_hz), self.samples // channels)


def read(data: bytes, bounds: Bounds) -> Sound:
    """The sound in a file.

    Raises
    ------
    Refused
    """
    if not data:
        raise Refused("empty-file")
    outer, kind = data[:4], data[8:12]
    if outer in (b"RIFF", b"RIFX", b"RF64") and kind == b"WAVE":
        return _wave(data, bounds)
    if outer == b"FORM" and kind in (b"AIFF", b"AIFC"):
        return _aiff(data, bounds)
    start = 0
    if data[:3] == b"ID3" and len(data) >= 10:
        start = 10 + sum((byte & 0x7F) << 7 * (3 - index) for index, byte in enumerate(data[6:10]))
    if data[start : start + 4] == b"fLaC":
        return _flac(data, start, bounds)
    raise Refused("not-a-recording", "unsupported-encoding", "damaged-header")


def _chunks(data: bytes, order: str) -> list[tuple[bytes, int, int]]:
    """Name, start of the body and declared size of each chunk."""
    found, at = [], 12
    while at + 8 <= len(data):
        if len(found) == CHUNKS:
            break
        size = struct.unpack(order + "I", data[at + 4 : at + 8])[0]
        found.append((data[at : at + 4], at + 8, size))
        at += 8 + size + size % 2
    return found


def _wave(data: bytes, bounds: Bounds) -> Sound:
    order = ">" if data[:4] == b"RIFX" else "<"
    form, long_size = None, None
    for name, start, size in _chunks(data, order):
        if name == b"fmt " and form is None:
            form = _form(data[start : start + min(size, 40)], size, order)
        elif name == b"ds64" and data[:4] == b"RF64" and long_size is None:
            if size < 24 or start + 16 > len(data):
                raise Refused("damaged-header")
            long_size = struct.unpack("<Q", data[start + 8 : start + 16])[0]
        elif name == b"data":
            if form is None:
                raise Refused("damaged-header")
            if data[:4] == b"RF64" and size == 0xFFFFFFFF:
                if long_size is None:
                    raise Refused("damaged-header")
                size = long_size
            kind, width, rate_hz, channels = form
            there = len(data) - start
            declared: int | None = size
            unfinished = False
            if size == 0 and there > 0:
                if _ends_in_chunks(data, start, order):
                    raise Refused("no-samples")
                declared, unfinished = None, True
            elif size > there and (size >= 1 << 48 or _filler(size)):
                declared = None
            return _samples(data, start, declared, there, (kind, width, order), rate_hz, channels, bounds, unfinished)
    raise Refused("damaged-header")


def _filler(size: int) -> bool:
    return 0x7FFFF000 <= size <= 0x80000000 or 0xFFFFF000 <= size <= 0xFFFFFFFF


def _ends_in_chunks(data: bytes, at: int, order: str) -> bool:
    for _ in range(CHUNKS):
        name = data[at : at + 4]
        if at + 8 > len(data) or not all(0x20 <= byte < 0x7F for byte in name):
            return False
        size = struct.unpack(order + "I", data[at + 4 : at + 8])[0]
        at += 8 + size + size % 2
        if at in (len(data), len(data) + size % 2):
            return True
    return False


def _form(body: bytes, size: int, order: str) -> tuple[str, int, int, int]:
    """Kind of number, bytes of a sample, rate, channels."""
    if size < 14 or len(body) < min(size, 40):
        raise Refused("damaged-header")
    tag, channels, rate_hz, _, align = struct.unpack(order + "HHIIH", body[:14])
    if channels == 0:
        raise Refused("damaged-header")
    bits = struct.unpack(order + "H", body[14:16])[0] if len(body) >= 16 else 8 * align // channels
    if tag == 0xFFFE:
        if len(body) < 40:
            raise Refused("damaged-header")
        if order == ">" or body[26:40] != PCM_TAIL:
            raise Refused("unsupported-encoding")
        tag = struct.unpack("<H", body[24:26])[0]
        if struct.unpack("<H", body[18:20])[0] > bits:
            raise Refused("damaged-header")
    if tag not in (1, 3) or (tag == 3 and bits not in (32, 64)) or bits > 32 + 32 * (tag == 3):
        raise Refused("unsupported-encoding")
    width = (bits + 7) // 8
    if bits == 0 or align != channels * width:
        raise Refused("damaged-header")
    return ("f" if tag == 3 else "u" if width == 1 else "i"), width, rate_hz, channels


def _aiff(data: bytes, bounds: Bounds) -> Sound:
    common, sound = None, None
    chunks = _chunks(data, ">")
    for name, start, size in chunks:
        if name == b"COMM" and common is None:
            needed = 22 if data[8:12] == b"AIFC" else 18
            if size < needed or start + needed > len(data):
                raise Refused("damaged-header")
            common = data[start : start + needed]
            channels = struct.unpack(">h", common[:2])[0]
            if channels < 1:
                raise Refused("damaged-header")
            rate = _extended(common[8:18])
        elif name == b"SSND" and sound is None:
            if start + 8 > len(data):
                raise Refused("damaged-header")
            skip = struct.unpack(">I", data[start : start + 4])[0]
            sound = start + 8 + skip, size - 8 - skip
        if common is not None and sound is not None:
            break
    if common is None or sound is None:
        raise Refused("damaged-header")
    frames, bits = struct.unpack(">Ih", common[2:8])
    start, sound_bytes = sound
    if frames == 0 and sound_bytes <= 0 and _ends_in_chunks(data, start, ">"):
        raise Refused("no-samples")
    code = common[18:22] or b"NONE"
    if code.lower() in (b"fl32", b"fl64") and code in (code.lower(), code.upper()):
        kind, width, order = "f", int(code[2:]) // 8, ">"
    elif code in (b"NONE", b"twos", b"in24", b"in32", b"sowt"):
        if not 1 <= bits <= 32:
            raise Refused("damaged-header")
        kind, width, order = "i", (bits + 7) // 8, "<" if code == b"sowt" else ">"
    else:
        raise Refused("unsupported-encoding")
    there = max(len(data) - start, 0)
    promised = frames * channels * width
    declared = promised or (sound_bytes if sound_bytes > 0 else None)
    if promised and sound_bytes > 0:
        there = min(there, sound_bytes)
    unfinished = not promised or sound_bytes <= 0
    if not 0 <= rate < 2**63:
        raise Refused("sample-rate-out-of-range")
    return _samples(data, start, declared, there, (kind, width, order), round(rate), channels, bounds, unfinished)


def _extended(number: bytes) -> float:
    exponent, mantissa = struct.unpack(">HQ", number)
    if exponent & 0x8000 or exponent == 0x7FFF or exponent > 16383 + 62:
        raise Refused("sample-rate-out-of-range")
    return float(mantissa) * 2.0 ** max(exponent - 16383 - 63, -1000)


def _samples(
    data: bytes,
    start: int,
    declared: int | None,
    there: int,
    form: tuple[str, int, str],
    rate_hz: int,
    channels: int,
    bounds: Bounds,
    unfinished: bool,
) -> Sound:
    kind, width, order = form
    size = there if declared is None else min(declared, there)
    frames = size // (width * channels)
    faults = _beyond(bounds, rate_hz, channels, frames)
    if frames < 1:
        raise Refused("no-samples", *faults)
    if faults:
        raise Refused(*faults)
    body = data[start : start + frames * width * channels]
    if kind == "f":
        with np.errstate(invalid="ignore"):  # a signalling NaN
            values = np.frombuffer(body, f"{order}f{width}").astype(np.float64)
    else:
        values = _integers(body, width, order, kind == "u") / float(1 << 8 * width - 1)
    truncated = unfinished or (declared is not None and declared > there)
    return Sound(values.reshape(frames, channels), rate_hz, truncated)


def _integers(body: bytes, width: int, order: str, unsigned: bool) -> np.ndarray:
    if unsigned:
        return np.frombuffer(body, np.uint8).astype(np.int64) - 128
    octets = np.frombuffer(body, np.uint8).reshape(-1, width)
    if order == "<":
        octets = octets[:, ::-1]
    value = octets[:, 0].astype(np.int8).astype(np.int64)
    for column in range(1, width):
        value = value * 256 + octets[:, column]
    return value


def _beyond(bounds: Bounds, rate_hz: int, channels: int, frames: int) -> list[str]:
    found = []
    if channels > bounds.channels:
        found.append("too-many-channels")
    if not bounds.rates_hz[0] <= rate_hz <= bounds.rates_hz[1]:
        found.append("sample-rate-out-of-range")
    if frames > bounds.most(rate_hz, channels):
        found.append("too-long")
    return found


def _flac(data: bytes, start: int, bounds: Bounds) -> Sound:
    at = start + 4
    if at + 38 > len(data) or data[at] & 0x7F or data[at + 1 : at + 4] != b"\0\0\x22":
        raise Refused("damaged-header")
    info = data[at + 4 : at + 38]
    packed = int.from_bytes(info[10:18], "big")
    rate_hz, channels, bits = packed >> 44, (packed >> 41 & 7) + 1, (packed >> 36 & 31) + 1
    promised = packed & (1 << 36) - 1
    if bits not in (8, 16, 24):
        raise Refused("unsupported-encoding")
    for _ in range(CHUNKS):
        if at + 4 > len(data):
            raise Refused("damaged-header")
        last = data[at] & 0x80
        at += 4 + int.from_bytes(data[at + 1 : at + 4], "big")
        if last:
            break
    else:
        raise Refused("damaged-header")
    end = len(data) - (128 if data[-128:-125] == b"TAG" else 0)
    if at >= end:
        raise Refused("no-samples")
    data = data[:end]
    most = int.from_bytes(info[2:4], "big") or 65_535
    faults = _beyond(bounds, rate_hz, channels, promised)
    if promised > (end - at) // (8 + 2 * channels) * most:
        faults.append("damaged-header")
    if faults:
        raise Refused(*faults, *(() if _begins(data, at, (rate_hz, channels, bits)) else ("damaged-header",)))
    blocks, frames = _blocks(data, at, (rate_hz, channels, bits), bounds.most(rate_hz, channels))
    if frames > bounds.most(rate_hz, channels):
        raise Refused("too-long")
    if not blocks:
        raise Refused("damaged-header", "unreadable-recording")
    behind = data[blocks.pop() :]  # one or two zero bytes are nothing
    truncated = frames < promised or (behind not in (b"", b"\0", b"\0\0") and frames != promised)
    return Sound(np.concatenate(blocks) / float(1 << bits - 1), rate_hz, truncated)


def _blocks(data: bytes, at: int, form: tuple[int, int, int], most: int) -> tuple[list, int]:
    """Blocks of codes, and behind them where they end."""
    bits = form[2]
    blocks: list = []
    frames, first, expected, full = 0, None, None, True
    while at < len(data) and frames <= most:
        try:
            head = literal_flac.head_of(data, at)
            if not _agrees(head, form) or head.number * (1 if head.variable else head.block) >> 36:
                raise literal_flac.Damaged("another form, or a sample beyond what FLAC can number")
            if first is None:
                first = head
            elif head.number != expected or head.variable != first.variable or not full:
                raise literal_flac.Damaged("out of order")
            _, codes, at = literal_flac.frame_at(data, at, bits)
        except literal_flac.Damaged:
            break
        expected = head.number + (head.block if head.variable else 1)
        full = head.variable or head.block == first.block
        frames += len(codes)
        blocks.append(codes)
    if blocks:
        blocks.append(at)
    return blocks, frames


def _agrees(head: literal_flac.Head, form: tuple[int, int, int]) -> bool:
    return head.channels == form[1] and head.bits in (None, form[2]) and head.rate_hz in (None, form[0])


def _begins(data: bytes, at: int, form: tuple[int, int, int]) -> bool:
    try:
        return _agrees(literal_flac.head_of(data, at), form)
    except literal_flac.Damaged:
        return False
