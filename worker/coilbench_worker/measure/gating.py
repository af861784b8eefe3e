"""A gate in the chain: noise that goes with the strings.

The noise of a chain goes on under the strings and after them, whoever lays a hand on them. A gate ends it: the hiss
rests at one level while a strum rings, and then at a far lower one, at the same two levels after every strum. The
limits were set on modelled takes (bench/judgement.py); common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.hiss import HissCourse
from coilbench_worker.measure.limiting import SETTLED_S, SHOWN_IN, STRUMS_NEEDED
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.strums import StrumTimes

OPEN_S, CLOSED_S = 0.480, 0.192
"""Shortest stretches of hiss under the ringing strings and after the gate has closed."""
REST_TILT_DB, REST_SCATTER_DB = 1.3, 1.9
"""Hiss rests when the two halves of a stretch agree and its pieces scatter no more than hiss does (1.3 dB); strings at
10 kHz fall by 10 dB meanwhile, or beat.
"""
GATE_DROP_DB = 6.0
"""What a gate takes off at least; the means of two stretches of hiss differ by 1 dB at most."""
GATE_CLOSES_S = 0.6
"""From open to shut at the longest: slow releases last half a second."""
GATE_OPENS_S = 0.064
"""Before the next onset nothing is looked at: the gate opens there."""
GATE_AGREEMENT_DB = 1.5
"""Within which the hiss must lie at the same two levels after every strum that shows it."""


@dataclass(frozen=True, slots=True)
class Gating:
    """What speaks for a gate: the strums after which the noise goes, when (s from the start of the file), and by how
    much, dB.
    """

    strums: tuple[int, ...]
    times_s: tuple[float, ...]
    drop_db: float


def gating(hiss: HissCourse | None, strums: Sequence[StrumTimes], rate_hz: int) -> Gating | None:
    """Signs of a gate, or None where the hiss is the same under the strings and after them, or can't be heard.

    Parameters
    ----------
    hiss : its course; None where the sample rate has no room for it
    strums : strums of the take
    rate_hz : sample rate in which their times are counted, Hz
    """
    if hiss is None:
        return None
    level_db = 10.0 * np.log10(np.maximum(hiss.power, hiss.floor))
    found = []
    for number, strum in enumerate(strums, start=1):
        after_s = strums[number].onset / rate_hz - GATE_OPENS_S if number < len(strums) else np.inf
        first = round((strum.onset / rate_hz + SETTLED_S) / hiss.step_s)
        closed = _closes(level_db[first : round(min(after_s / hiss.step_s, level_db.size))], hiss.step_s)
        if closed is not None:
            found.append((number, (first + closed[0]) * hiss.step_s, *closed[1:]))
    if len(found) < STRUMS_NEEDED:
        return None
    levels = np.array([each[2:] for each in found])
    alike = (np.abs(levels - np.median(levels, axis=0)) <= GATE_AGREEMENT_DB).all(axis=1)
    if np.count_nonzero(alike) < max(STRUMS_NEEDED, SHOWN_IN * len(found)):
        return None
    kept = [each for each, like in zip(found, alike, strict=True) if like]
    drop = float(np.median(levels[alike, 0] - levels[alike, 1]))
    return Gating(tuple(each[0] for each in kept), tuple(each[1] for each in kept), drop)


def _closes(level_db: FloatArray, step_s: float) -> tuple[int, float, float] | None:
    """Where hiss leaves a level at rest for a far lower one at rest, with both levels; None where it doesn't."""
    width = 2 * round(OPEN_S / step_s / 2.0)
    open_db, open_rests = _rests(level_db, width)
    shut_db, shut_rests = _rests(level_db, 2 * round(CLOSED_S / step_s / 2.0))
    if not open_rests.any() or not shut_rests.any():
        return None
    closed = float(shut_db[shut_rests].min())
    upper = np.flatnonzero(open_rests & (open_db >= closed + GATE_DROP_DB))
    if not upper.size:
        return None
    last = int(upper[-1])
    after = slice(last + width, None)
    lower = np.flatnonzero(shut_rests[after] & (shut_db[after] <= closed + GATE_DROP_DB / 2.0))
    if not lower.size or lower[0] * step_s > GATE_CLOSES_S:
        return None
    return last + width, float(open_db[last]), closed


def _rests(level_db: FloatArray, width: int) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Mean level over `width` pieces from each on, and whether it is that of hiss: neither falling nor wavering."""
    if level_db.size < width:
        return np.zeros(0), np.zeros(0, dtype=bool)
    pieces = np.lib.stride_tricks.sliding_window_view(level_db, width)
    halves = pieces.reshape(-1, 2, width // 2).mean(axis=2)
    steady = np.abs(halves[:, 0] - halves[:, 1]) <= REST_TILT_DB
    return pieces.mean(axis=1), steady & (pieces.std(axis=1) <= REST_SCATTER_DB)
