"""FLAC frames as bytes: checksums, headers and frames of silence, after RFC 9639 sections 9.1 to 9.3."""

from dataclasses import dataclass


def _table(polynomial: int, width: int) -> list[int]:
    top = 1 << width - 1
    found = []
    for byte in range(256):
        value = byte << width - 8
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value & top else 0)) & (1 << width) - 1
        found.append(value)
    return found


_CRC8, _CRC16 = _table(0x07, 8), _table(0x8005, 16)


def crc8(data: bytes) -> int:
    """Of a frame's header."""
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return value


def crc16(data: bytes) -> int:
    """Of a whole frame; 0 of a frame that ends with its own."""
    value = 0
    for byte in data:
        value = value << 8 & 0xFFFF ^ _CRC16[value >> 8 ^ byte]
    return value


def header_bytes(frame: bytes) -> int:
    """Length of a frame's header without its CRC-8: 4 bytes, the number, and up to 4 of block size and rate."""
    first = frame[4]
    number = 1 if first < 0x80 else 8 - (first ^ 0xFF).bit_length()
    block_code, rate_code = frame[2] >> 4, frame[2] & 15
    return 4 + number + {6: 1, 7: 2}.get(block_code, 0) + {12: 1, 13: 2, 14: 2}.get(rate_code, 0)


def sealed(frame: bytes) -> bytes:
    """The same frame with both checksums made anew, whatever is in it."""
    end = min(header_bytes(frame), len(frame) - 3)
    body = frame[:end] + bytes([crc8(frame[:end])]) + frame[end + 1 : -2]
    return body + crc16(body).to_bytes(2, "big")


def coded(number: int) -> bytes:
    """A frame's number in the manner of UTF-8, up to 36 bits."""
    if number < 0x80:
        return bytes([number])
    rest = []
    count = 1
    while number >= 1 << (6 - count if count < 6 else 0):
        rest.append(0x80 | number & 0x3F)
        number >>= 6
        count += 1
    return bytes([0xFF << 8 - count & 0xFF | number, *reversed(rest)])


def numbered(frame: bytes, number: int, *, variable: bool = False) -> bytes:
    """The same frame with another number: its place among the frames, or its first sample in a `variable` stream."""
    first = frame[4]
    old = 1 if first < 0x80 else 8 - (first ^ 0xFF).bit_length()
    return sealed(frame[:1] + bytes([0xF8 | variable]) + frame[2:4] + coded(number) + frame[4 + old :])


@dataclass(frozen=True)
class FlacFile:
    """A FLAC file in its parts: what is before `fLaC`, STREAMINFO, other metadata (type, body), frames, the rest."""

    info: bytes
    frames: tuple[bytes, ...]
    blocks: tuple[tuple[int, bytes], ...] = ()
    before: bytes = b""
    behind: bytes = b""

    def assembled(self) -> bytes:
        """As bytes."""
        every = [(0, self.info), *self.blocks]
        head = b"".join(
            bytes([kind | (0x80 if index == len(every) - 1 else 0)]) + len(body).to_bytes(3, "big") + body
            for index, (kind, body) in enumerate(every)
        )
        return self.before + b"fLaC" + head + b"".join(self.frames) + self.behind


def with_info(info: bytes, **fields: int) -> bytes:
    """STREAMINFO with other `rate_hz`, `channels`, `bits`, `frames`, `block_least` or `block_most`."""
    packed = int.from_bytes(info[10:18], "big")
    places = {"rate_hz": (44, 20, 0), "channels": (41, 3, 1), "bits": (36, 5, 1), "frames": (0, 36, 0)}
    for name, (shift, width, less) in places.items():
        if name in fields:
            mask = (1 << width) - 1
            packed = packed & ~(mask << shift) | (fields[name] - less & mask) << shift
    least = fields.get("block_least", int.from_bytes(info[0:2], "big"))
    most = fields.get("block_most", int.from_bytes(info[2:4], "big"))
    return least.to_bytes(2, "big") + most.to_bytes(2, "big") + info[4:10] + packed.to_bytes(8, "big") + info[18:]


def silent_frame(number: int, block: int, channels: int, bits: int) -> bytes:
    """A frame of silence: one constant for each channel, rate and bits as in STREAMINFO."""
    head = b"\xff\xf8" + bytes([0x70, channels - 1 << 4]) + coded(number) + (block - 1).to_bytes(2, "big")
    body = bytes(channels * (1 + bits // 8))
    return sealed(head + b"\0" + body + b"\0\0")
