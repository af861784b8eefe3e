"""Short valid recordings of one strum in every accepted form, in their parts, so that mutations get at each part."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import soundfile
from numpy.typing import NDArray

from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Take, render
from unit.audio.sound_bytes import FLOAT_GUID, PCM_GUID, extended

from .corpus import TWIN
from .flac_stream import FlacFile, numbered, with_info

FloatArray = NDArray[np.float64]
ONSET_S, DURATION_S = 0.12, 0.75
RATES_HZ = (8_000, 16_000, 24_000)  # low ones: measuring is real and cheap
MODELLED_HZ = 48_000


@dataclass(frozen=True)
class Chunk:
    """One chunk; `size` lies about the body, `pad` is the byte that makes an odd body even."""

    name: bytes
    body: bytes
    size: int | None = None
    pad: bool = True


@dataclass(frozen=True)
class ChunkFile:
    """A RIFF, RIFX, RF64 or FORM file in its chunks; `order` as struct writes it."""

    outer: bytes
    kind: bytes
    order: str
    chunks: tuple[Chunk, ...]
    outer_size: int | None = None

    def assembled(self) -> bytes:
        """As bytes."""
        body = self.kind
        for part in self.chunks:
            size = len(part.body) if part.size is None else part.size
            body += part.name + struct.pack(self.order + "I", size) + part.body
            if part.pad and len(part.body) % 2:
                body += b"\0"
        size = len(body) if self.outer_size is None else self.outer_size
        return self.outer + struct.pack(self.order + "I", size & 0xFFFFFFFF) + body


SoundFile = ChunkFile | FlacFile


@lru_cache(maxsize=4)
def strum(rate_hz: int) -> FloatArray:
    """One modelled strum, peak 0.4 of full scale, shape (frames,); at a fraction of the modelled rate."""
    take = Take(TWIN, (Strum(ONSET_S, seed=3),), DURATION_S, chain=Chain(hiss_dbfs=-75.0), seed=3)
    samples = render(take, MODELLED_HZ).samples[:: MODELLED_HZ // rate_hz]
    return samples * (0.4 / np.max(np.abs(samples)))


def _frames(rate_hz: int, channels: int) -> FloatArray:
    return np.repeat(strum(rate_hz)[:, None], channels, axis=1)


def _packed(kind: str, width: int, order: str, rate_hz: int, channels: int) -> bytes:
    samples = _frames(rate_hz, channels)
    if kind == "f":
        return samples.astype(f"{order}f{width}").tobytes()
    codes = np.round(samples * (2.0 ** (8 * width - 1) - 1)).astype(np.int64) + (128 if kind == "u" else 0)
    octets = codes.astype("<i8").reshape(-1, 1).view(np.uint8)[:, :width]
    return (octets if order == "<" else octets[:, ::-1]).tobytes()


def _wave(
    kind: str = "i",
    width: int = 2,
    rate_hz: int = 16_000,
    channels: int = 1,
    *,
    order: str = "<",
    valid: int | None = None,
    before: tuple[Chunk, ...] = (),
    behind: tuple[Chunk, ...] = (),
    long: bool = False,
) -> ChunkFile:
    body = _packed(kind, width, order, rate_hz, channels)
    tag = 3 if kind == "f" else 1
    block = width * channels
    form = struct.pack(
        order + "HHIIHH", tag if valid is None else 0xFFFE, channels, rate_hz, rate_hz * block, block, 8 * width
    )
    if valid is not None:
        form += struct.pack("<HHI", 22, valid, 0) + (FLOAT_GUID if kind == "f" else PCM_GUID)
    sizes = Chunk(b"ds64", struct.pack("<QQQI", len(body) + 100, len(body), len(body) // block, 0))
    chunks = (
        *((sizes,) if long else ()),
        *before,
        Chunk(b"fmt ", form),
        *((Chunk(b"fact", struct.pack("<I", len(body) // block)),) if kind == "f" else ()),
        Chunk(b"data", body, 0xFFFFFFFF if long else None),
        *behind,
    )
    outer = b"RF64" if long else b"RIFF" if order == "<" else b"RIFX"
    return ChunkFile(outer, b"WAVE", order, chunks, 0xFFFFFFFF if long else None)


def _piped(file: ChunkFile) -> ChunkFile:
    """As a program writes it that can't go back to complete the header."""
    chunks = (replace(part, size=0xFFFFFFFF) if part.name == b"data" else part for part in file.chunks)
    return replace(file, chunks=tuple(chunks), outer_size=0xFFFFFFFF)


def _aiff(
    kind: str = "i",
    width: int = 2,
    rate_hz: int = 16_000,
    channels: int = 1,
    *,
    code: bytes | None = None,
    sound_first: bool = False,
    skip: int = 0,
    before: tuple[Chunk, ...] = (),
) -> ChunkFile:
    body = _packed(kind, width, "<" if code == b"sowt" else ">", rate_hz, channels)
    common = struct.pack(">hIh", channels, len(body) // width // channels, 8 * width) + extended(rate_hz)
    if code is not None:
        common += code + b"\3raw\0"[:2]
    chunks = [
        Chunk(b"COMM", common),
        Chunk(b"SSND", struct.pack(">II", skip, 0) + bytes(skip) + body),
    ]
    if sound_first:
        chunks.reverse()
    return ChunkFile(b"FORM", b"AIFF" if code is None else b"AIFC", ">", (*before, *chunks))


def _flac(bits: int = 16, rate_hz: int = 16_000, channels: int = 1, *, quick: bool = False) -> FlacFile:
    wide = np.round(_frames(rate_hz, channels) * (2.0 ** (bits - 1) - 1)).astype(np.int64) << 32 - bits
    if channels > 1:  # nearly the same, so that the encoder codes sum and difference
        wide[:, 1] += np.random.default_rng(4).integers(-1, 2, len(wide)) << 32 - bits
    file = io.BytesIO()
    subtype = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}[bits]
    level = 0.0 if quick else 0.6
    soundfile.write(file, wide.astype(np.int32), rate_hz, format="FLAC", subtype=subtype, compression_level=level)
    return _taken_apart(file.getvalue(), bits)


def _taken_apart(data: bytes, bits: int) -> FlacFile:
    """A FLAC file in its parts; frames are found with the decoder of the tests."""
    from faults.literal_flac import frame_at

    at, blocks, last = 4, [], False
    while not last:
        last = bool(data[at] & 0x80)
        size = int.from_bytes(data[at + 1 : at + 4], "big")
        blocks.append((data[at] & 0x7F, data[at + 4 : at + 4 + size]))
        at += 4 + size
    frames = []
    while at < len(data):
        _, _, end = frame_at(data, at, bits)
        frames.append(data[at:end])
        at = end
    return FlacFile(blocks[0][1], tuple(frames), tuple(blocks[1:]))


def _of_variable_blocks(file: FlacFile, block: int) -> FlacFile:
    """The same frames as a stream of variable blocks, numbered by their samples."""
    frames = (numbered(frame, index * block, variable=True) for index, frame in enumerate(file.frames))
    return replace(file, info=with_info(file.info, block_least=16), frames=tuple(frames))


def _part(file: FlacFile, first: int, block: int, samples: int) -> FlacFile:
    """From frame `first` on, as cut out of a broadcast: numbers go on, and the promise is that of the part."""
    info = with_info(file.info, frames=samples - first * block)
    return replace(file, info=info, frames=file.frames[first:])


LIST = Chunk(b"LIST", b"INFOINAM\x05\0\0\0strum")  # of odd length
BEXT = Chunk(b"bext", bytes(602))
CUE = Chunk(b"cue ", struct.pack("<I", 1) + bytes(24))
NAME = Chunk(b"NAME", b"a strum")
ID3V2 = b"ID3\4\0\0\0\0\0\x20" + bytes(32)
ID3V1 = b"TAG" + b"a strum".ljust(125, b"\0")


@lru_cache(maxsize=1)
def valid_files() -> dict[str, SoundFile]:
    """Name and file; the name begins with the format."""
    tagged, seekable = _flac(), _flac(rate_hz=24_000)
    points = b"".join(struct.pack(">QQH", number * 4096, number * 3000, 4096) for number in range(3))
    return {
        "wav u8": _wave("u", 1),
        "wav 16": _wave(rate_hz=24_000),
        "wav 16 with chunks": _wave(before=(LIST, BEXT), behind=(CUE, LIST), rate_hz=8_000),
        "wav piped": _piped(_wave(rate_hz=8_000)),
        "wav 16 stereo": _wave(channels=2, rate_hz=8_000),
        "wav 24": _wave(width=3, rate_hz=8_000),
        "wav 32": _wave(width=4, rate_hz=8_000),
        "wav float32": _wave("f", 4),
        "wav float32 stereo": _wave("f", 4, channels=2, rate_hz=8_000),
        "wav float64": _wave("f", 8, rate_hz=8_000),
        "wav rifx": _wave(order=">", rate_hz=8_000),
        "extensible 16": _wave(valid=16, rate_hz=8_000),
        "extensible 20 in 24": _wave(width=3, valid=20),
        "extensible float32": _wave("f", 4, valid=32, rate_hz=8_000),
        "extensible 24 stereo": _wave(width=3, channels=2, valid=24, rate_hz=8_000),
        "rf64 16": _wave(long=True, rate_hz=8_000),
        "rf64 24": _wave(width=3, long=True, before=(Chunk(b"JUNK", bytes(28)), BEXT)),
        "rf64 float32": _wave("f", 4, long=True, behind=(LIST,), rate_hz=8_000),
        "rf64 extensible": _wave(long=True, valid=16, channels=2, rate_hz=8_000),
        "aiff 8": _aiff(width=1),
        "aiff 16": _aiff(rate_hz=8_000),
        "aiff 24": _aiff(width=3, before=(NAME,), rate_hz=8_000),
        "aiff 16 stereo": _aiff(channels=2, skip=16, rate_hz=8_000),
        "aiff 32": _aiff(width=4, sound_first=True, rate_hz=8_000),
        "aifc none": _aiff(code=b"NONE", rate_hz=8_000),
        "aifc sowt": _aiff(code=b"sowt", sound_first=True, rate_hz=24_000),
        "aifc fl32": _aiff("f", 4, code=b"fl32", rate_hz=8_000),
        "aifc fl64": _aiff("f", 8, code=b"FL64", before=(NAME,), rate_hz=8_000),
        "flac 16": tagged,
        "flac 16 quick": _flac(quick=True),
        "flac 24": _flac(24, 8_000),
        "flac 8": _flac(8, 8_000),
        "flac 16 stereo": _flac(channels=2, rate_hz=24_000),
        "flac 24 stereo": _flac(24, 8_000, 2),
        "flac 16 of five": _flac(channels=5, rate_hz=8_000),
        "flac variable": _of_variable_blocks(_flac(quick=True), 1152),
        "flac part": _part(_flac(quick=True), 1, 1152, 12_000),
        "flac unknown": _part(_flac(quick=True, rate_hz=8_000), 0, 1152, 0),
        "flac tagged": replace(tagged, before=ID3V2, behind=ID3V1),
        "flac with points": replace(seekable, blocks=((3, points), *seekable.blocks, (1, bytes(40)))),
    }
