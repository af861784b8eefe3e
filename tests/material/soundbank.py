"""Reads recorded notes out of a General MIDI sound bank file (SoundFont 2.01 container: RIFF, little endian).

Only what is needed: which recording sounds for a key of a program, its root key, tuning and loop. Names inside the file
are skipped. Source: the SoundFont technical specification 2.01 (chunk layout, generator numbers; from memory, confirmed
by reading the file: loop ends inside samples, roots near their key ranges, pitch in tests/unit/model/test_recorded.py).
"""

import struct
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

PACKAGE = "pretty_midi"
ADVICE = f"Install the Python package {PACKAGE} (pip install {PACKAGE}): its folder holds the sound bank used here."

# Generator numbers of the specification
INSTRUMENT, KEY_RANGE, COARSE_TUNE, FINE_TUNE, SAMPLE, ROOT = 41, 43, 51, 52, 53, 58


class SoundBankMissing(Exception):
    """No sound bank on this machine; the message says what to install."""


@dataclass(frozen=True)
class Note:
    """One recorded note: samples (full scale = 1.0), their rate, the pitch they sound at (Hz) and the loop [start,
    stop).
    """

    samples: NDArray[np.float64]
    rate_hz: int
    pitch_hz: float
    loop: tuple[int, int]


def path() -> Path:
    """The sound bank inside the package's folder.

    Raises
    ------
    SoundBankMissing : the package is not installed, or carries no sound bank
    """
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:
        raise SoundBankMissing(f"No sound bank: {PACKAGE} is not installed. {ADVICE}")
    found = sorted(Path(spec.origin).parent.rglob("*.sf2"))
    if not found:
        raise SoundBankMissing(f"No sound bank: {PACKAGE} is installed but carries no *.sf2 file. {ADVICE}")
    return found[0]


@cache
def _chunks() -> dict[str, bytes]:
    data = path().read_bytes()
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        raise SoundBankMissing(f"The file found in {PACKAGE} is not a sound bank. {ADVICE}")
    chunks: dict[str, bytes] = {}
    position = 12
    while position + 8 <= len(data):
        kind, size = struct.unpack_from("<4sI", data, position)
        inner, end = position + 12, position + 8 + size
        while kind == b"LIST" and inner + 8 <= end:
            name, length = struct.unpack_from("<4sI", data, inner)
            chunks[name.decode("ascii")] = data[inner + 8 : inner + 8 + length]
            inner += 8 + length + length % 2
        position = end + size % 2
    return chunks


@cache
def _records(chunk: str, layout: str) -> list[tuple[int, ...]]:
    return list(struct.iter_unpack(layout, _chunks()[chunk]))


def _zones(bags: str, generators: str, first: int, last: int) -> list[dict[int, int]]:
    """Generators of each zone, after those of the global zone (a leading one without instrument or sample)."""
    bag, generator = _records(bags, "<2H"), _records(generators, "<2H")
    zones: list[dict[int, int]] = []
    for (start, _), (stop, _) in pairwise(bag[first : last + 1]):
        zones.append({each[0]: each[1] for each in generator[start:stop]})
    shared: dict[int, int] = {}
    if zones and INSTRUMENT not in zones[0] and SAMPLE not in zones[0]:
        shared = zones.pop(0)
    return [{**shared, **zone} for zone in zones]


def _covers(zone: dict[int, int], key: int) -> bool:
    keys = zone.get(KEY_RANGE, 127 << 8)
    return (keys & 255) <= key <= (keys >> 8)


def _signed(value: int) -> int:
    return value - 65536 if value > 32767 else value


@cache
def note(program: int, key: int) -> Note:
    """The recording that sounds for a key.

    Parameters
    ----------
    program : General MIDI program, counted from 1 (27 jazz, 28 clean, 29 muted, 30 overdriven electric guitar)
    key : MIDI key, 0-127

    Returns
    -------
    Note : as recorded, not shifted to the key

    Raises
    ------
    SoundBankMissing : no sound bank
    LookupError : the program has no recording for that key
    """
    presets = _records("phdr", "<20x3H12x")
    instruments = _records("inst", "<20xH")
    for (number, bank, bag), (_, _, next_bag) in pairwise(presets):
        if bank or number != program - 1:
            continue
        for preset_zone in _zones("pbag", "pgen", bag, next_bag):
            if INSTRUMENT not in preset_zone or not _covers(preset_zone, key):
                continue
            index = preset_zone[INSTRUMENT]
            for zone in _zones("ibag", "igen", instruments[index][0], instruments[index + 1][0]):
                if SAMPLE in zone and _covers(zone, key):
                    return _recorded(zone)
    raise LookupError(f"Program {program} of the sound bank has no recording for key {key}.")


def _recorded(zone: dict[int, int]) -> Note:
    start, end, loop_start, loop_end, rate_hz, root, correction = _records("shdr", "<20x5IBb4x")[zone[SAMPLE]]
    samples = np.frombuffer(_chunks()["smpl"], "<i2", count=end - start, offset=2 * start) / 32768.0
    root = zone.get(ROOT, root)
    cents = correction + _signed(zone.get(FINE_TUNE, 0)) + 100 * _signed(zone.get(COARSE_TUNE, 0))
    # `cents` is how far the player must shift the recording to sound in tune at its root key.
    pitch_hz = 440 * 2 ** ((root - 69) / 12 - cents / 1200)
    return Note(samples=samples, rate_hz=rate_hz, pitch_hz=pitch_hz, loop=(loop_start - start, loop_end - start))
