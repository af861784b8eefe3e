"""Tells from a file's first bytes and its size what recording it holds, without decoding anything.

Reads little: chunks are walked by seeking, at most a thousand of them. Used twice: when a recording arrives, so that
what can't be measured is refused at once, and before its samples are opened.
"""

from typing import BinaryIO

from coilbench_worker.audio.aiff import read_aiff
from coilbench_worker.audio.flac import read_flac
from coilbench_worker.audio.foreign import HEAD_BYTES, refusal_of
from coilbench_worker.audio.layout import Header, read_at
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import (
    AudioRefused,
    EmptyFile,
    SampleRateOutOfRange,
    TooLong,
    TooManyChannels,
)
from coilbench_worker.audio.wave import read_wave

__all__ = ["AudioLimits", "AudioRefused", "Header", "sniff"]


def sniff(file: BinaryIO, total_bytes: int, limits: AudioLimits | None = None) -> Header:
    """The recording's header, held against the bytes that are there and the limits.

    Parameters
    ----------
    file : seekable, opened for reading bytes; its position is moved
    total_bytes : size of the file
    limits : bounds on channels, rate and length

    Raises
    ------
    AudioRefused : one of its kinds (see `refusal`), with code, status, detail and advice
    """
    limits = limits or AudioLimits()
    if total_bytes < 1:
        raise EmptyFile("The file has no bytes: the recorder or the transfer stopped before the first.")
    header = _read(file, total_bytes)
    _hold_to(limits, header)
    return header


def _read(file: BinaryIO, total_bytes: int) -> Header:
    head = read_at(file, 0, HEAD_BYTES)
    outer, kind = head[:4], head[8:12]
    if outer in (b"RIFF", b"RIFX", b"RF64") and kind == b"WAVE":
        return read_wave(file, total_bytes)
    if outer == b"FORM" and kind in (b"AIFF", b"AIFC"):
        return read_aiff(file, total_bytes)
    start = _behind_id3(head)
    if read_at(file, start, 4) == b"fLaC":
        return read_flac(file, start, total_bytes)
    raise refusal_of(head, total_bytes)


def _behind_id3(head: bytes) -> int:
    """Where the stream begins: 0, or behind an ID3v2 tag, whose size has seven bits in each byte."""
    if head[:3] != b"ID3" or len(head) < 10:
        return 0
    size = 0
    for byte in head[6:10]:
        size = size << 7 | byte & 0x7F
    return 10 + size


def _hold_to(limits: AudioLimits, header: Header) -> None:
    if header.channels > limits.max_channels:
        raise TooManyChannels(f"The recording has {header.channels} channels; the limit is {limits.max_channels}.")
    if not limits.min_rate_hz <= header.rate_hz <= limits.max_rate_hz:
        raise SampleRateOutOfRange(
            f"The header says {header.rate_hz:,} Hz; {limits.min_rate_hz:,} to {limits.max_rate_hz:,} Hz are measured."
        )
    if header.frames is not None and header.frames > limits.max_frames(header.rate_hz, header.channels):
        raise too_long(header.frames, header, limits)


def too_long(frames: int, header: Header, limits: AudioLimits) -> TooLong:
    """The error for a recording of `frames` frames or more."""
    limit_s = limits.max_frames(header.rate_hz, header.channels) / header.rate_hz
    return TooLong(
        f"The recording lasts {frames / header.rate_hz:,.0f} s or longer in {header.channels} channel(s); the limit for"
        f" that is {limit_s:,.0f} s."
    )
