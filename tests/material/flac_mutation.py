"""What can be wrong with a FLAC file: its STREAMINFO lies, its metadata is damaged, its frames are, or there are too
many of them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.random import Generator

from .flac_stream import FlacFile, header_bytes, numbered, sealed, silent_frame, with_info

BLOCK_MOST = 65_535
BOMBS = (3, 100, 400)  # frames of the greatest block: 0.2, 6.6 and 26 million samples from 15 bytes each
TOTALS = (0, 1, 5_999, 6_001, 12_001, 2**20, 2**32, 2**36 - 1)
RATES_HZ = (0, 1, 7_999, 8_000, 8_001, 16_000, 44_100, 384_001, 655_350, 2**20 - 1)


def _any(rng: Generator, values: tuple[int, ...]) -> int:
    return int(values[int(rng.integers(len(values)))])


def _info(rng: Generator, file: FlacFile) -> bytes:
    """One field of STREAMINFO says something else."""
    fields: dict[str, tuple[int, ...]] = {
        "rate_hz": RATES_HZ,
        "channels": tuple(range(1, 9)),
        "bits": tuple(range(1, 33)),
        "frames": TOTALS,
        "block_least": (0, 1, 15, 16, 4096, 65_535),
        "block_most": (0, 1, 15, 16, 512, 4095, 65_535),
    }
    name = list(fields)[int(rng.integers(len(fields)))]
    return replace(file, info=with_info(file.info, **{name: _any(rng, fields[name])})).assembled()


def _metadata(rng: Generator, file: FlacFile) -> bytes:
    """Blocks of random content, of forbidden types, of lying length, or many."""
    kind = int(rng.integers(4))
    if kind == 0:
        more = [(_any(rng, (0, 1, 2, 3, 4, 5, 6, 7, 126, 127)), rng.bytes(int(rng.integers(200)))) for _ in range(3)]
        return replace(file, blocks=(*more, *file.blocks)).assembled()
    if kind == 1:
        many = ((1, b""),) * _any(rng, (100, 1_020, 1_024, 1_100))
        return replace(file, blocks=(*many, *file.blocks)).assembled()
    if kind == 2:
        blocks = tuple((number, bytes(rng.permutation(np.frombuffer(body, np.uint8)))) for number, body in file.blocks)
        return replace(file, blocks=blocks).assembled()
    data = bytearray(file.assembled())
    at = len(file.before) + 42 + int(rng.integers(4))
    data[at] = int(rng.integers(256))
    return bytes(data)


def _damage(rng: Generator, file: FlacFile) -> bytes:
    """Bits of a frame flipped; its checksums no longer fit."""
    index = int(rng.integers(len(file.frames)))
    frame = bytearray(file.frames[index])
    for _ in range(int(rng.integers(1, 4))):
        near = rng.random() < 0.4
        frame[int(rng.integers(16 if near else len(frame)))] ^= 1 << int(rng.integers(8))
    return replace(file, frames=(*file.frames[:index], bytes(frame), *file.frames[index + 1 :])).assembled()


def _resealed(rng: Generator, file: FlacFile) -> bytes:
    """A header's field changed and the checksums made to fit: what only a broken or hostile encoder writes."""
    index = int(rng.integers(len(file.frames)))
    frame = bytearray(file.frames[index])
    at = int(rng.integers(1, header_bytes(bytes(frame))))
    frame[at] ^= 1 << int(rng.integers(1 if at == 1 else 8))
    return replace(file, frames=(*file.frames[:index], sealed(bytes(frame)), *file.frames[index + 1 :])).assembled()


def _content_resealed(rng: Generator, file: FlacFile) -> bytes:
    """What a frame holds changed and its checksum made to fit: only the decoder's own care is left."""
    index = int(rng.integers(len(file.frames)))
    frame = bytearray(file.frames[index])
    begin = header_bytes(bytes(frame)) + 1
    near = rng.random() < 0.7  # the kinds of subframes, first samples, predictors and partitions
    for _ in range(int(rng.integers(1, 4))):
        end = min(begin + 12, len(frame) - 2) if near else len(frame) - 2
        frame[int(rng.integers(begin, end))] ^= 1 << int(rng.integers(8))
    return replace(file, frames=(*file.frames[:index], sealed(bytes(frame)), *file.frames[index + 1 :])).assembled()


def _renumbered(rng: Generator, file: FlacFile) -> bytes:
    """Frames numbered from another first number (a part of a stream), or one of them wrongly."""
    frames = list(file.frames)
    first = _any(rng, (1, 5, 100, 1_000, 2**20, 2**30))
    chosen = range(len(frames)) if rng.random() < 0.5 else [int(rng.integers(len(frames)))]
    for index in chosen:
        frames[index] = numbered(frames[index], first + index)
    return replace(file, frames=tuple(frames)).assembled()


def _frames_moved(rng: Generator, file: FlacFile) -> bytes:
    """Frames lost, there twice, or in another order: each of them sound."""
    frames = list(file.frames)
    index, kind = int(rng.integers(len(frames))), int(rng.integers(3))
    if kind == 0:
        del frames[index]
    elif kind == 1:
        frames.insert(int(rng.integers(len(frames) + 1)), frames[index])
    else:
        frames = [frames[i] for i in rng.permutation(len(frames))]
    info = file.info if rng.random() < 0.5 else with_info(file.info, frames=0)
    return replace(file, frames=tuple(frames), info=info).assembled()


def _foreign_frames(rng: Generator, file: FlacFile) -> bytes:
    """Frames of another file, with other bits, channels or block size."""
    from .valid_files import valid_files

    others = [other for other in valid_files().values() if isinstance(other, FlacFile)]
    other = others[int(rng.integers(len(others)))]
    at = int(rng.integers(len(file.frames) + 1))
    mixed = (*file.frames[:at], *other.frames[min(at, len(other.frames) - 1) :])
    return replace(file, frames=mixed).assembled()


def _junk_between(rng: Generator, file: FlacFile) -> bytes:
    at = int(rng.integers(len(file.frames) + 1))
    junk = rng.bytes(_any(rng, (1, 2, 16, 600))) if rng.random() < 0.7 else bytes(40)
    return replace(file, frames=(*file.frames[:at], junk, *file.frames[at:])).assembled()


def _bomb(rng: Generator, file: FlacFile) -> bytes:
    """Millions of samples of silence behind the sound or in its place, with a promise that tells of them or not."""
    channels = (file.info[12] >> 1 & 7) + 1
    bits = ((file.info[12] & 1) << 4 | file.info[13] >> 4) + 1
    count = _any(rng, BOMBS)
    silence = [silent_frame(number, BLOCK_MOST, channels, bits) for number in range(count)]
    promise = _any(rng, (0, 8_000, count * BLOCK_MOST, count * BLOCK_MOST, count * BLOCK_MOST - 1, 2**36 - 1))
    info = with_info(file.info, frames=promise, block_most=_any(rng, (BLOCK_MOST, 4096)))
    return replace(file, info=info, frames=tuple(silence)).assembled()


FLAC_MUTATIONS = {
    "STREAMINFO": _info,
    "metadata": _metadata,
    "frame damaged": _damage,
    "frame resealed": _resealed,
    "content resealed": _content_resealed,
    "frames renumbered": _renumbered,
    "frames moved": _frames_moved,
    "foreign frames": _foreign_frames,
    "junk between frames": _junk_between,
    "bomb": _bomb,
}
