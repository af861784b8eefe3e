"""What a header says, and where in the file the samples are."""

import struct
from dataclasses import dataclass
from typing import BinaryIO

from coilbench_worker.audio.refusal import DamagedHeader, NoSamples

MAX_CHUNKS = 1024  # walked before giving up; common practice, no source: recorders write fewer than twenty


@dataclass(frozen=True, slots=True)
class Header:
    """One recording as its header describes it and its bytes confirm it.

    Attributes
    ----------
    container : "wav", "rf64", "flac" or "aiff"
    encoding : "pcm_u8", "pcm_s8", "pcm_s16", "pcm_s24", "pcm_s32", "float32" or "float64"
    integer_bits : valid bits of a sample, None for floating point
    channels : 1 or more
    rate_hz : Hz
    declared_frames : frames that the header promises; None when it does not say
    frames : frames that the bytes there can hold; for FLAC, where only decoding tells, the promise
    truncated : fewer bytes than promised, or a header that the recorder never completed
    missing_bytes : audio bytes promised and not there; 0 where that can't be known (FLAC, header never completed)
    data_offset, data_bytes : where the samples are; for FLAC its frames
    big_endian : byte order of the samples
    preamble : what the decoder is shown before them (FLAC)
    """

    container: str
    encoding: str
    integer_bits: int | None
    channels: int
    rate_hz: int
    declared_frames: int | None
    frames: int | None
    truncated: bool
    missing_bytes: int
    data_offset: int
    data_bytes: int
    big_endian: bool = False
    preamble: bytes = b""

    @property
    def duration_s(self) -> float | None:
        """Length in seconds as far as the header tells."""
        return None if self.frames is None else self.frames / self.rate_hz


@dataclass(frozen=True, slots=True)
class Extent:
    """The samples that are there, in bytes and whole frames."""

    data_bytes: int
    frames: int
    declared_frames: int | None
    truncated: bool
    missing_bytes: int


def extent_of(declared_bytes: int | None, bytes_there: int, frame_bytes: int, *, unfinished: bool = False) -> Extent:
    """Whole frames that are there, against those promised.

    Parameters
    ----------
    declared_bytes : size of the samples as the header says; None when it does not say (the samples run to the end)
    bytes_there : bytes from the first sample to the end of the file
    frame_bytes : bytes of one sample of every channel, > 0
    unfinished : the header was never completed, so the end of the recording may be lost

    Raises
    ------
    NoSamples : not one whole frame is there
    """
    size = bytes_there if declared_bytes is None else min(declared_bytes, bytes_there)
    missing = 0 if declared_bytes is None else max(declared_bytes - bytes_there, 0)
    frames = size // frame_bytes
    if frames < 1:
        promised = "an unknown number of" if declared_bytes is None else f"{declared_bytes:,}"
        raise NoSamples(
            f"The header promises {promised} bytes of samples, {max(size, 0):,} are there, and one frame takes"
            f" {frame_bytes}: nothing was recorded, or the transfer stopped after the header."
        )
    declared = None if declared_bytes is None else declared_bytes // frame_bytes
    return Extent(frames * frame_bytes, frames, declared, missing > 0 or unfinished, missing)


def read_at(file: BinaryIO, offset: int, size: int) -> bytes:
    """`size` bytes from `offset`, fewer at the end of the file."""
    file.seek(offset)
    return file.read(size)


def read_exactly(file: BinaryIO, offset: int, size: int, what: str) -> bytes:
    """`size` bytes from `offset`.

    Raises
    ------
    DamagedHeader : the file ends before; `what` names the part in the message
    """
    found = read_at(file, offset, size)
    if len(found) < size:
        raise DamagedHeader(
            f"The file ends inside {what}: {size} bytes needed at byte {offset:,}, {len(found)} there;"
            " the transfer or the recorder stopped early."
        )
    return found


def integer_encoding(bits: int, *, unsigned_byte: bool) -> str:
    """Name of the PCM encoding whose samples of `bits` bits (1..32) stand in whole bytes."""
    whole_bytes = (bits + 7) // 8
    if whole_bytes == 1:
        return "pcm_u8" if unsigned_byte else "pcm_s8"
    return f"pcm_s{8 * whole_bytes}"


def only_chunks(file: BinaryIO, offset: int, total_bytes: int, order: str) -> bool:
    """Whether everything from `offset` on is whole chunks that end with the file; `order` as struct writes it."""
    for _ in range(MAX_CHUNKS):
        head = read_at(file, offset, 8)
        if len(head) < 8 or not printable(head[:4]):
            return False
        size = int(struct.unpack(order + "I", head[4:])[0])
        offset += 8 + size + size % 2
        if total_bytes <= offset <= total_bytes + size % 2:
            return True
        if offset > total_bytes:
            return False
    return False


def printable(name: bytes) -> bool:
    """Whether a chunk could have this name; true of no bytes at all."""
    return all(0x20 <= byte < 0x7F for byte in name)
