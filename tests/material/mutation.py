"""Sound files that are wrong in ways that disks, transfers, hasty programs and bad intent make them: one for each seed.

    mutant(seed) -> Mutant(seed, file, mutation, data)

The same seed gives the same bytes as long as this module, valid_files.py and libFLAC's encoder stay the same.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from .flac_mutation import FLAC_MUTATIONS
from .flac_stream import FlacFile
from .valid_files import Chunk, ChunkFile, SoundFile, valid_files

HEAD_BYTES = 120
SIZES = (0, 1, 2, 3, 7, 8, 23, 255, 4096, 65_535, 2**31 - 1, 2**31, 0x7FFFF000, 0xFFFFF000, 2**32 - 2, 2**32 - 1)
LONG_SIZES = (0, 1, 2**31, 2**32 - 1, 2**32, 2**40, 2**48 - 1, 2**48, 2**50, 2**63 - 1, 2**63, 2**63 + 8, 2**64 - 1)
RATES_HZ = (0, 1, 100, 7_999, 8_000, 11_025, 16_001, 44_100, 384_000, 384_001, 10**9, 2**31, 2**32 - 1)
CHANNELS = (0, 1, 2, 3, 5, 8, 31, 32, 33, 255, 32_767, 32_768, 65_535)
TAGS = (0, 1, 2, 3, 6, 7, 0x11, 0x31, 0x50, 0x55, 0x161, 0xF1AC, 0xFFFE, 0xFFFF)
FLOATS = (np.nan, -np.nan, np.inf, -np.inf, 1e30, -1e30, 1e12, 1.1e12, 3e38, 1.5, -1.0, 5e-324, 1e-40, 1e300)
EXTENDED = (  # 80-bit numbers: 0, infinite, not a number, -44,100, without its leading 1, tiny, huge, 44,100.5
    bytes(10),
    b"\x7f\xff" + bytes(8),
    b"\x7f\xff\xc0" + bytes(7),
    b"\xc0\x0e\xac\x44" + bytes(6),
    b"\x40\x0e\x2c\x44" + bytes(6),
    b"\x00\x01\x80" + bytes(7),
    b"\x40\x3d" + b"\xff" * 8,
    b"\x7f\xfe" + b"\xff" * 8,
    b"\x40\x0e\xac\x44\x80" + bytes(5),
)
NAMES = (b"data", b"fmt ", b"ds64", b"COMM", b"SSND", b"LIST", b"JUNK", b"RIFF", b"\0\0\0\0", b"d\xffta")


@dataclass(frozen=True)
class Mutant:
    """A file with what was done to which valid one."""

    seed: int
    file: str
    mutation: str
    data: bytes


Change = Callable[[Generator, SoundFile], bytes]


def mutant(seed: int) -> Mutant:
    """The mutated file of a seed; seeds go round the valid files."""
    files = valid_files()
    names = [*files, *(name for name, file in files.items() if isinstance(file, FlacFile))]  # FLAC more often
    name = names[seed % len(names)]
    rng = np.random.default_rng([2026, seed])
    family = CHUNK_MUTATIONS if isinstance(files[name], ChunkFile) else FLAC_MUTATIONS
    changes: dict[str, Change] = {**BYTE_MUTATIONS, **family}
    weights = np.array([2.0 if word in family else 1.0 for word in changes])
    chosen = str(rng.choice(list(changes), p=weights / weights.sum()))
    data = changes[chosen](rng, files[name])
    if rng.random() < 0.15:
        data, chosen = _bits(rng, data, 2), f"{chosen}, bits"
    return Mutant(seed, name, chosen, data)


def pick(rng: Generator, values: tuple) -> object:
    """One of the values."""
    return values[int(rng.integers(len(values)))]


def _place(rng: Generator, size: int) -> int:
    """A byte, half of them where headers are."""
    return int(rng.integers(max(min(size, HEAD_BYTES) if rng.random() < 0.5 else size, 1)))


def _bits(rng: Generator, data: bytes, most: int) -> bytes:
    changed = bytearray(data)
    for _ in range(int(rng.integers(1, most + 1)) if changed else 0):
        changed[_place(rng, len(changed))] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def _some_bits(rng: Generator, file: SoundFile) -> bytes:
    return _bits(rng, file.assembled(), 8)


def _head_bytes(rng: Generator, file: SoundFile) -> bytes:
    data = bytearray(file.assembled())
    for _ in range(int(rng.integers(1, 5))):
        data[int(rng.integers(HEAD_BYTES))] = int(pick(rng, (0, 1, 2, 0x20, 0x7F, 0x80, 0xFE, 0xFF)))
    return bytes(data)


def _cut(rng: Generator, file: SoundFile) -> bytes:
    data = file.assembled()
    return data[: _place(rng, len(data))]


def _cut_or_grown_by_little(rng: Generator, file: SoundFile) -> bytes:
    data, count = file.assembled(), int(rng.integers(1, 40))
    return data[:-count] if rng.random() < 0.5 else data + rng.bytes(count)


def _without_a_stretch(rng: Generator, file: SoundFile) -> bytes:
    data = file.assembled()
    at = _place(rng, len(data))
    return data[:at] + data[at + int(pick(rng, (1, 2, 3, 4, 100, 4096))) :]


def _with_a_stretch(rng: Generator, file: SoundFile) -> bytes:
    data = file.assembled()
    at, count = _place(rng, len(data)), int(pick(rng, (1, 2, 3, 4, 100, 4096)))
    return data[:at] + (bytes(count) if rng.random() < 0.5 else rng.bytes(count)) + data[at:]


def _overwritten(rng: Generator, file: SoundFile) -> bytes:
    """A block of a disk that came back as zeros, as ones or as something else."""
    data = file.assembled()
    at, count = _place(rng, len(data)), int(pick(rng, (16, 512, 4096)))
    fill = (bytes(count), b"\xff" * count, rng.bytes(count))[int(rng.integers(3))]
    return data[:at] + fill[: len(data) - at] + data[at + count :]


def _spliced(rng: Generator, file: SoundFile) -> bytes:
    others = list(valid_files().values())
    first, second = file.assembled(), others[int(rng.integers(len(others)))].assembled()
    at = _place(rng, len(first))
    return first[:at] + second[at if rng.random() < 0.5 else _place(rng, len(second)) :]


def _unchanged(rng: Generator, file: SoundFile) -> bytes:
    return file.assembled()


BYTE_MUTATIONS: dict[str, Change] = {
    "some bits": _some_bits,
    "head bytes": _head_bytes,
    "cut": _cut,
    "cut or grown by little": _cut_or_grown_by_little,
    "without a stretch": _without_a_stretch,
    "with a stretch": _with_a_stretch,
    "overwritten": _overwritten,
    "spliced": _spliced,
    "unchanged": _unchanged,
}


def _form_of(file: ChunkFile) -> int:
    """Which chunk says how samples are coded."""
    return next(index for index, part in enumerate(file.chunks) if part.name in (b"fmt ", b"COMM"))


def _with(file: ChunkFile, index: int, *parts: Chunk) -> ChunkFile:
    return replace(file, chunks=(*file.chunks[:index], *parts, *file.chunks[index + 1 :]))


def _field(rng: Generator, file: ChunkFile) -> bytes:
    """One field of `fmt ` or COMM says something absurd."""
    index = _form_of(file)
    body = bytearray(file.chunks[index].body)
    if file.chunks[index].name == b"COMM":
        fields: tuple = (
            (0, ">H", CHANNELS),
            (2, ">I", SIZES),
            (6, ">H", tuple(range(70))),
            (8, "10s", EXTENDED),
            (18, "4s", (b"NONE", b"sowt", b"ulaw", b"ima4", b"fl64", b"\0\0\0\0", b"in24")),
        )[: 5 if len(body) > 18 else 4]
    else:
        fields = (
            (0, file.order + "H", TAGS),
            (2, file.order + "H", CHANNELS),
            (4, file.order + "I", RATES_HZ),
            (8, file.order + "I", SIZES),
            (12, file.order + "H", (0, 1, 2, 3, 4, 5, 6, 8, 13, 255, 65_535)),
            (14, file.order + "H", tuple(range(70))),
            (16, file.order + "H", (0, 1, 21, 22, 23, 65_535)),
            (18, file.order + "H", tuple(range(40))),
            (24, "2s", (b"\1\0", b"\3\0", b"\xfe\xff", b"\2\0", b"\0\1")),
        )[: 9 if len(body) == 40 else 6]
    at, form, values = fields[int(rng.integers(len(fields)))]
    struct.pack_into(form, body, at, pick(rng, values))
    return _with(file, index, replace(file.chunks[index], body=bytes(body))).assembled()


def _consistent_form(rng: Generator, file: ChunkFile) -> bytes:
    """Another number of channels or bits, with the sizes that follow from it."""
    index = _form_of(file)
    body = bytearray(file.chunks[index].body)
    channels, width = int(rng.integers(1, 9)), int(rng.integers(1, 9))
    bits = 8 * width - int(rng.integers(8)) * int(rng.random() < 0.3)
    if file.chunks[index].name == b"COMM":
        size = next(len(part.body) - 8 for part in file.chunks if part.name == b"SSND")
        struct.pack_into(">hIh", body, 0, channels, size // (channels * width), bits)
    else:
        rate_hz = int(pick(rng, (8_000, 22_050, 48_000, 192_000)))
        block = channels * width
        struct.pack_into(file.order + "HIIHH", body, 2, channels, rate_hz, rate_hz * block, block, bits)
        if len(body) == 40:
            struct.pack_into("<H", body, 18, bits - int(rng.integers(3)) * int(rng.random() < 0.3))
    return _with(file, index, replace(file.chunks[index], body=bytes(body))).assembled()


def _size(rng: Generator, file: ChunkFile) -> bytes:
    """A chunk, or the whole, lies about its size."""
    index = int(rng.integers(-1, len(file.chunks)))
    if index < 0:
        return replace(file, outer_size=int(pick(rng, SIZES))).assembled()
    part = file.chunks[index]
    near = tuple(max(len(part.body) + more, 0) for more in (-1000, -9, -8, -2, -1, 1, 2, 8, 9, 1000))
    return _with(file, index, replace(part, size=int(pick(rng, (*SIZES, *near, *near))))).assembled()


def _long_size(rng: Generator, file: ChunkFile) -> bytes:
    """RF64: `ds64` lies, is cut, missing, or there twice; other files: they say to be RF64."""
    index = next((index for index, part in enumerate(file.chunks) if part.name == b"ds64"), None)
    if index is None:
        return b"RF64" + file.assembled()[4:]
    part = file.chunks[index]
    real = struct.unpack("<Q", part.body[8:16])[0]
    lie = int(pick(rng, (*LONG_SIZES, real - 1, real + 1, real - 100, real + 100, real + 2**32)))
    lying = replace(part, body=part.body[:8] + struct.pack("<Q", lie) + part.body[16:])
    kind = int(rng.integers(6))
    if kind < 3:
        return _with(file, index, lying).assembled()
    if kind == 3:
        return _with(file, index, replace(part, body=part.body[: int(rng.integers(28))])).assembled()
    if kind == 4:
        return _with(file, index).assembled()
    return _with(file, index, part, lying).assembled()


def _order(rng: Generator, file: ChunkFile) -> bytes:
    return replace(file, chunks=tuple(file.chunks[i] for i in rng.permutation(len(file.chunks)))).assembled()


def _twice(rng: Generator, file: ChunkFile) -> bytes:
    """A chunk is there a second time, perhaps with something else in it."""
    part = file.chunks[int(rng.integers(len(file.chunks)))]
    again = part if rng.random() < 0.3 else replace(part, body=_bits(rng, part.body, 20))
    at = int(rng.integers(len(file.chunks) + 1))
    return replace(file, chunks=(*file.chunks[:at], again, *file.chunks[at:])).assembled()


def _nested(rng: Generator, file: ChunkFile) -> bytes:
    """A chunk inside of another, or a whole file inside of one."""
    index = int(rng.integers(len(file.chunks)))
    part = file.chunks[index]
    alone = replace(file, chunks=(part,)).assembled()
    inner = file.assembled() if rng.random() < 0.3 else alone[12:]
    nest = Chunk(bytes(pick(rng, (b"LIST", b"RIFF", b"data", b"fmt "))), b"adtl" + inner)
    return (_with(file, index, nest) if rng.random() < 0.5 else _with(file, index, nest, part)).assembled()


def _strangers(rng: Generator, file: ChunkFile) -> bytes:
    """Chunks nobody knows, odd ones with their pad and without."""
    parts = list(file.chunks)
    for _ in range(int(pick(rng, (1, 2, 5, 300, 1_100)))):
        body = rng.bytes(int(rng.integers(10)))
        parts.insert(int(rng.integers(len(parts) + 1)), Chunk(b"JUNK", body, pad=rng.random() < 0.8))
    return replace(file, chunks=tuple(parts)).assembled()


def _name(rng: Generator, file: ChunkFile) -> bytes:
    index = int(rng.integers(len(file.chunks)))
    return _with(file, index, replace(file.chunks[index], name=bytes(pick(rng, NAMES)))).assembled()


def _outer(rng: Generator, file: ChunkFile) -> bytes:
    outer = bytes(pick(rng, (b"RIFF", b"RIFX", b"RF64", b"BW64", b"FORM", b"riff")))
    kind = bytes(pick(rng, (b"WAVE", b"AIFF", b"AIFC", b"AVI ", file.kind)))
    return replace(file, outer=outer, kind=kind).assembled()


def _samples_changed(rng: Generator, file: ChunkFile) -> bytes:
    """Some samples, or all, are something else; in floating point what no converter gives."""
    index = next(index for index, part in enumerate(file.chunks) if part.name in (b"data", b"SSND"))
    part = file.chunks[index]
    body = bytearray(part.body)
    form = file.chunks[_form_of(file)].body
    floats = {b"fl32": 4, b"FL64": 8}.get(form[18:22], 0)
    if part.name == b"data" and (form[:2] == b"\3\0" or form[24:26] == b"\3\0"):
        floats = struct.unpack("<H", form[14:16])[0] // 8
    if floats:
        order = "<" if part.name == b"data" else ">"
        with np.errstate(over="ignore"):
            value = np.array([pick(rng, FLOATS)]).astype(f"{order}f{floats}").tobytes()
        first = 8 * (part.name == b"SSND")
        for _ in range(int(pick(rng, (1, 2, 400)))):
            at = first + floats * int(rng.integers((len(body) - first) // floats))
            body[at : at + floats] = value
    elif rng.random() < 0.5:
        at = int(rng.integers(8, len(body)))
        body[at:] = rng.bytes(len(body) - at)
    else:
        at, count = int(rng.integers(8, len(body))), int(rng.integers(1, 5_000))
        body[at : at + count] = b"\x7f" * len(body[at : at + count])
    return _with(file, index, replace(part, body=bytes(body))).assembled()


CHUNK_MUTATIONS: dict[str, Change] = {
    "field": _field,
    "another form": _consistent_form,
    "size": _size,
    "long size": _long_size,
    "order": _order,
    "twice": _twice,
    "nested": _nested,
    "strangers": _strangers,
    "name": _name,
    "outer": _outer,
    "samples": _samples_changed,
}  # type: ignore[dict-item]
