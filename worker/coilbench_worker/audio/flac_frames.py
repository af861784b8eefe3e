"""Follows the frames of a FLAC stream by their headers alone, without decoding: how far they go on without a gap.

The decoder checks that a frame is whole (CRC-16), not that it is the next one: frames lost, repeated or out of order
would be joined as if nothing were missing. Each header has a number, so the chain ends at the first that does not
follow. A header is looked for, not computed, because only decoding tells where a frame ends; what looks like the header
of a frame that does not follow counts as one only where the CRC-16 of the frame before fits.

Source: RFC 9639 sections 9.1 (header: sync code, sizes, number, CRC-8) and 9.3 (CRC-16).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from coilbench_worker.audio.layout import read_at

HEADER_BYTES = 16  # the longest: 4, a number of 7, block size and rate of 2 each, CRC-8
LONGEST_FRAME_BYTES = 1 << 21  # 65,535 samples of 8 channels and 24 bits, as they are, take 1.6 MB
MOST_ZEROS = 3
"""Zero bytes leave a CRC-16 of 0 as it is. A frame's own checksum may end in two of them, more are not the frame's."""
READ_BYTES = 1 << 20
SYNC = re.compile(rb"\xff[\xf8\xf9]")
_THIRD = bytes(byte for byte in range(256) if byte >> 4 != 0 and byte & 15 != 15)
_FOURTH = bytes(byte for byte in range(256) if byte >> 4 <= 10 and byte >> 1 & 7 != 3 and not byte & 1)
BEGINNING = re.compile(rb"\xff[\xf8\xf9][%b][%b]" % (re.escape(_THIRD), re.escape(_FOURTH)))
"""What a header can begin with: sync code, block size and rate, channels and bits, none of them reserved."""
RATES_HZ = (0, 88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000)
SAMPLE_BITS = (0, 8, 12, 0, 16, 20, 24, 32)  # code 3 is reserved


@dataclass(frozen=True, slots=True)
class FrameHead:
    """A frame's header; rate and bits are 0 where it leaves them to STREAMINFO.

    `number` counts frames, or samples in a stream of `variable` blocks; `block` is the length in samples.
    """

    variable: bool
    block: int
    rate_hz: int
    channels: int
    bits: int
    number: int

    def agrees(self, rate_hz: int, channels: int, bits: int) -> bool:
        """Whether a stream of this form can have such a frame."""
        return self.channels == channels and self.rate_hz in (0, rate_hz) and self.bits in (0, bits)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame of the chain: its first byte in the file, its first sample, its length in samples."""

    offset: int
    start: int
    block: int


@dataclass(frozen=True, slots=True)
class Chain:
    """Frames that follow each other without a gap.

    `samples` is their length; `end` the byte where the chain ends, or where the stream does; `whole` says whether a
    frame ends right there; `from_zero` whether they are numbered from 0, as the decoder needs it to search.
    """

    samples: int
    end: int
    whole: bool
    from_zero: bool


def frame_head(data: bytes) -> FrameHead | None:
    """The header at the start of `data`, at least HEADER_BYTES of it where there are so many; None when it is none."""
    if len(data) < 6 or data[0] != 0xFF or data[1] & 0xFE != 0xF8 or data[3] & 1:
        return None
    block_code, rate_code, assignment, bits_code = data[2] >> 4, data[2] & 15, data[3] >> 4, data[3] >> 1 & 7
    coded = _number(data)
    if block_code == 0 or rate_code == 15 or assignment > 10 or bits_code == 3 or coded is None:
        return None
    number, at = coded
    if block_code < 6:
        block = 192 if block_code == 1 else 144 << block_code
    elif block_code > 7:
        block = 1 << block_code
    else:
        block = int.from_bytes(data[at : at + block_code - 5], "big") + 1
        at += block_code - 5
    if rate_code < 12:
        rate_hz = RATES_HZ[rate_code]
    else:
        width, unit_hz = ((1, 1000), (2, 1), (2, 10))[rate_code - 12]
        rate_hz = int.from_bytes(data[at : at + width], "big") * unit_hz
        at += width
    if at >= len(data) or _crc8(data[:at]) != data[at]:
        return None
    channels = assignment + 1 if assignment < 8 else 2
    return FrameHead(bool(data[1] & 1), block, rate_hz, channels, SAMPLE_BITS[bits_code], number)


def frames(file: BinaryIO, start: int, end: int, form: tuple[int, int, int]) -> Iterator[Frame]:
    """The chain from byte `start` on, up to byte `end`; `form` is rate, channels and bits of the stream."""
    follower = _Follower(file, start, end, form)
    yield from follower


def chain(file: BinaryIO, start: int, end: int, form: tuple[int, int, int], most: int) -> Chain:
    """Where the chain ends, or how it stands as soon as it has more than `most` samples."""
    follower = _Follower(file, start, end, form)
    samples = 0
    for frame in follower:
        samples = frame.start + frame.block
        if samples > most:
            break
    stop = follower.stopped_at if follower.stopped_at is not None else end
    whole = follower.whole_at(stop) and not follower.ended_before(stop)
    return Chain(samples, stop, whole, follower.first_number == 0)


class _Follower:
    """Goes from header to header."""

    def __init__(self, file: BinaryIO, start: int, end: int, form: tuple[int, int, int]) -> None:
        self._file = file
        self._start = start
        self._end = end
        self._form = form
        self._last = start
        self._crc = 0
        self._crc_to = start
        self.first_number: int | None = None
        self.stopped_at: int | None = None

    def __iter__(self) -> Iterator[Frame]:
        samples, first, expected = 0, None, 0
        for offset, head in self._heads():
            if first is None:
                if offset != self._start or not head.agrees(*self._form):
                    return
                first, self.first_number = head, head.number
            elif not head.agrees(*self._form) or head.variable != first.variable or head.number != expected:
                if self.whole_at(offset):
                    self.stopped_at = offset
                    return
                continue
            self._last, self._crc, self._crc_to = offset, 0, offset
            yield Frame(offset, samples, head.block)
            samples += head.block
            expected = head.number + (head.block if head.variable else 1)
            if not head.variable and head.block != first.block:
                expected = -1  # only the last frame may have another length: nothing follows

    def _heads(self) -> Iterator[tuple[int, FrameHead]]:
        """Everything that looks like a header."""
        at = self._start
        while at < self._end:
            data = read_at(self._file, at, min(READ_BYTES + HEADER_BYTES, self._end - at))
            for found in BEGINNING.finditer(data, 0, min(READ_BYTES + 3, len(data))):
                head = frame_head(data[found.start() : found.start() + HEADER_BYTES])
                if head is not None:
                    yield at + found.start(), head
            at += READ_BYTES

    def whole_at(self, offset: int) -> bool:
        """Whether the last frame of the chain ends at this byte, by its CRC-16; asked for rising offsets only."""
        if offset - self._last > LONGEST_FRAME_BYTES:
            return False
        self._sum_up_to(offset - MOST_ZEROS)
        only_zeros_since = self._crc == 0 and self._last < self._crc_to == offset - MOST_ZEROS
        self._sum_up_to(offset)
        return self._crc == 0 and not only_zeros_since

    def ended_before(self, offset: int) -> bool:
        """Whether the last frame ends at a sync code before this byte: the checksum of two frames in a row fits too,
        even where the second has no header that can be read.
        """
        data = read_at(self._file, self._last, min(offset - self._last, LONGEST_FRAME_BYTES))
        summed, at = 0, 0
        for found in SYNC.finditer(data, 1):
            summed, at = _crc16(data[at : found.start()], summed), found.start()
            if summed == 0:
                return True
        return False

    def _sum_up_to(self, offset: int) -> None:
        while self._crc_to < offset:
            data = read_at(self._file, self._crc_to, min(READ_BYTES, offset - self._crc_to))
            if not data:
                raise OSError("the recording became shorter while it was read")
            self._crc = _crc16(data, self._crc)
            self._crc_to += len(data)


def _number(data: bytes) -> tuple[int, int] | None:
    """The number from byte 4 on, coded like UTF-8 but longer, and where it ends."""
    first = data[4]
    if first < 0x80:
        return first, 5
    count = 8 - (first ^ 0xFF).bit_length()
    if not 2 <= count <= 7 or len(data) < 4 + count:
        return None
    value = first & 0x7F >> count
    for byte in data[5 : 4 + count]:
        if byte & 0xC0 != 0x80:
            return None
        value = value << 6 | byte & 0x3F
    return value, 4 + count


def _table(polynomial: int, width: int) -> tuple[int, ...]:
    found = []
    for byte in range(256):
        value = byte << width - 8
        for _ in range(8):
            value = (value << 1) ^ (polynomial if value >> width - 1 else 0)
        found.append(value & (1 << width) - 1)
    return tuple(found)


_CRC8_TABLE, _CRC16_TABLE = _table(0x107, 8), _table(0x18005, 16)


def _crc8(data: bytes) -> int:
    value = 0
    for byte in data:
        value = _CRC8_TABLE[value ^ byte]
    return value


def _crc16(data: bytes, value: int) -> int:
    table = _CRC16_TABLE
    for byte in data:
        value = (value << 8 & 0xFF00) ^ table[value >> 8 ^ byte]
    return value
