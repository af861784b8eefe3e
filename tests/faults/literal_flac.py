"""A FLAC decoder for tests, written from RFC 9639 alone and slow: says what sound is in a stream, frame by frame.

Sound are frames whose checksums fit, that agree with STREAMINFO, and that follow each other without a gap by their
numbers. The first that does not ends the recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from material.flac_stream import crc8, crc16

RATES_HZ = (88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000)  # codes 1 to 11
SIZES = {1: 8, 2: 12, 4: 16, 5: 20, 6: 24}  # bits; 7 is 32, which libsndfile does not decode


class Damaged(Exception):
    """No frame is here that can be taken for sound."""


@dataclass(frozen=True)
class Head:
    """A frame's header: `rate_hz` and `bits` are None when it leaves them to STREAMINFO."""

    variable: bool
    block: int
    rate_hz: int | None
    assignment: int
    bits: int | None
    number: int
    size: int

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.assignment + 1 if self.assignment < 8 else 2


def head_of(data: bytes, at: int) -> Head:
    """The header at this byte (section 9.1).

    Raises
    ------
    Damaged : none is there, or it is broken
    """
    try:
        if data[at] != 0xFF or data[at + 1] & 0xFE != 0xF8:
            raise Damaged("no sync code")
        block_code, rate_code = data[at + 2] >> 4, data[at + 2] & 15
        assignment, size_code = data[at + 3] >> 4, data[at + 3] >> 1 & 7
        if block_code == 0 or rate_code == 15 or assignment > 10 or size_code == 3 or data[at + 3] & 1:
            raise Damaged("reserved")
        number, end = _number(data, at + 4)
        if block_code < 6:
            block = 192 if block_code == 1 else 144 << block_code
        elif block_code < 8:
            block = int.from_bytes(data[end : end + block_code - 5], "big") + 1
            end += block_code - 5
        else:
            block = 1 << block_code
        rate_hz = RATES_HZ[rate_code - 1] if 1 <= rate_code <= 11 else None
        if rate_code >= 12:
            width = 1 if rate_code == 12 else 2
            rate_hz = int.from_bytes(data[end : end + width], "big") * {12: 1000, 13: 1, 14: 10}[rate_code]
            end += width
        if crc8(data[at:end]) != data[end]:
            raise Damaged("CRC-8")
    except IndexError:
        raise Damaged("the end") from None
    bits = 32 if size_code == 7 else SIZES.get(size_code)
    return Head(bool(data[at + 1] & 1), block, rate_hz, assignment, bits, number, end + 1 - at)


def _number(data: bytes, at: int) -> tuple[int, int]:
    first = data[at]
    if first < 0x80:
        return first, at + 1
    ones = 8 - (first ^ 0xFF).bit_length()
    if not 2 <= ones <= 7:
        raise Damaged("number")
    value = first & (0x7F >> ones)
    for byte in data[at + 1 : at + ones]:
        if byte & 0xC0 != 0x80:
            raise Damaged("number")
        value = value << 6 | byte & 0x3F
    if at + ones > len(data):
        raise Damaged("the end")
    return value, at + ones


class _Bits:
    """Bits one after the other."""

    def __init__(self, data: bytes) -> None:
        self.text = bin(int.from_bytes(b"\1" + data, "big"))[3:]
        self.at = 0

    def unsigned(self, width: int) -> int:
        if self.at + width > len(self.text):
            raise Damaged("the end")
        self.at += width
        return int(self.text[self.at - width : self.at], 2) if width else 0

    def signed(self, width: int) -> int:
        value = self.unsigned(width)
        return value - (1 << width) if width and value >> width - 1 else value

    def unary(self) -> int:
        one = self.text.find("1", self.at)
        if one < 0:
            raise Damaged("the end")
        zeros, self.at = one - self.at, one + 1
        return zeros


LONGEST_FRAME = 1 << 18
_known: dict[bytes, list[tuple[bytes, Head, np.ndarray]]] = {}
"""Decoded frames by their first bytes: mutants keep most frames of the file they come from."""


def frame_at(data: bytes, at: int, bits: int) -> tuple[Head, np.ndarray, int]:
    """Header, codes of shape (block, channels), and the byte behind the frame at this byte.

    Raises
    ------
    Damaged
    """
    for frame, head, codes in _known.get(data[at : at + 12] + bytes([bits]), ()):
        if data.startswith(frame, at):
            return head, codes, at + len(frame)
    head = head_of(data, at)
    width = head.bits or bits
    stream = _Bits(data[at + head.size : at + LONGEST_FRAME])
    side = {8: 1, 9: 0, 10: 1}.get(head.assignment)
    channels = [_subframe(stream, head.block, width + (index == side)) for index in range(head.channels)]
    if stream.unsigned(-stream.at % 8):
        raise Damaged("padding")
    end = at + head.size + stream.at // 8 + 2
    if end > len(data):
        raise Damaged("the end")
    if crc16(data[at:end]):
        raise Damaged("CRC-16")
    if head.assignment == 8:
        channels[1] = channels[0] - channels[1]
    elif head.assignment == 9:
        channels[0] = channels[0] + channels[1]
    elif head.assignment == 10:
        middle, apart = channels[0] << 1 | channels[1] & 1, channels[1]
        channels = [middle + apart >> 1, middle - apart >> 1]
    codes = np.stack(channels, axis=1)
    if np.any(codes >> width - 1 != codes >> 62):
        raise Damaged("a value that the bits can't hold")
    _known.setdefault(data[at : at + 12] + bytes([bits]), []).append((data[at:end], head, codes))
    return head, codes, end


def _subframe(stream: _Bits, block: int, width: int) -> np.ndarray:
    """Section 9.2."""
    if stream.unsigned(1):
        raise Damaged("reserved")
    kind = stream.unsigned(6)
    wasted = stream.unary() + 1 if stream.unsigned(1) else 0
    width -= wasted
    if width < 1:
        raise Damaged("wasted bits")
    if kind == 0:
        values = np.full(block, stream.signed(width), dtype=np.int64)
    elif kind == 1:
        values = np.array([stream.signed(width) for _ in range(block)], dtype=np.int64)
    elif 8 <= kind <= 12:
        values = _fixed(stream, block, width, kind - 8)
    elif kind >= 32:
        values = _predicted(stream, block, width, kind - 31)
    else:
        raise Damaged("reserved")
    return values << wasted


def _fixed(stream: _Bits, block: int, width: int, order: int) -> np.ndarray:
    if order > block:
        raise Damaged("order")
    warm = [stream.signed(width) for _ in range(order)]
    values = np.array(_residual(stream, block, order), dtype=np.int64)
    starts = []
    for _ in range(order):
        starts.append(warm[0])
        warm = [after - before for before, after in pairwise(warm)]
    for level in reversed(range(order)):
        values = np.cumsum(np.concatenate(([starts[level]], values)))
    return values


def _predicted(stream: _Bits, block: int, width: int, order: int) -> np.ndarray:
    if order > block:
        raise Damaged("order")
    values = [stream.signed(width) for _ in range(order)]
    precision = stream.unsigned(4) + 1
    if precision == 16:
        raise Damaged("precision")
    shift = stream.signed(5)
    if shift < 0:
        raise Damaged("shift")
    weights = [stream.signed(precision) for _ in range(order)][::-1]
    for rest in _residual(stream, block, order):
        foretold = sum(map(int.__mul__, weights, values[-order:])) >> shift
        values.append(foretold + rest)
        if abs(values[-1]) >> 40:
            raise Damaged("overflow")
    return np.array(values, dtype=np.int64)


def _residual(stream: _Bits, block: int, order: int) -> list[int]:
    """Section 9.2.7: Rice codes in partitions."""
    method = stream.unsigned(2)
    if method > 1:
        raise Damaged("reserved")
    partitions = 1 << stream.unsigned(4)
    if block % partitions or block // partitions < order:
        raise Damaged("partitions")
    width, escape = (4, 15) if method == 0 else (5, 31)
    found: list[int] = []
    for index in range(partitions):
        count = block // partitions - (order if index == 0 else 0)
        parameter = stream.unsigned(width)
        if parameter == escape:
            raw = stream.unsigned(5)
            found += [stream.signed(raw) for _ in range(count)]
            continue
        for _ in range(count):
            value = stream.unary() << parameter | stream.unsigned(parameter)
            found.append(value >> 1 ^ -(value & 1))
    return found
