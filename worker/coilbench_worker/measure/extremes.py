"""Samples that stand at one extreme value: clipping at the file's greatest code, and flat tops below it.

A digital ceiling holds samples at exactly one value; one before the converter leaves them near it (`crests`).

Gathered block by block, without a second pass: each block keeps the runs at its own extremes, and only the blocks that
reach the take's extreme count in the end.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.crests import Crests
from coilbench_worker.measure.source import FloatArray

SHORTEST_RUN = 3
FLAT_RUNS = 3
FLAT_SHORTEST = 4
FLAT_TOLERANCE = 1e-6
FLAT_LEAST_CODES = 256
"""Below so many codes a smooth wave stands on one code for as long: the crest of 80 Hz at 48 kHz for 16 samples."""
LOWEST_HZ = 46.0
"""A string that is lower than the lowest of eight is not expected."""
NEAR_PEAK = 0.5
"""Blocks that stay below this share of the greatest sample until then can't hold the take's extreme."""


@dataclass(frozen=True, slots=True)
class Run:
    """Consecutive samples at one extreme: first sample, length, and their value (full scale = 1.0)."""

    start: int
    length: int
    value: float


@dataclass(slots=True)
class Extremes:
    """Feed consecutive blocks of one channel, then ask.

    `integer_bits` is the file's word length, None for floating point: then full scale is 1.0 and more. `rate_hz`: its
    sample rate.
    """

    integer_bits: int | None
    rate_hz: int = 48_000
    peak: float = 0.0
    _at: int = 0
    _runs: list[Run] = field(default_factory=list)
    _high: float = -np.inf
    _low: float = np.inf
    _upper: Crests = field(default_factory=Crests)
    _lower: Crests = field(default_factory=lambda: Crests(sign=-1.0))

    def feed(self, block: FloatArray) -> None:
        """Take the next block, shape (n,)."""
        if block.size:
            high, low = float(block.max()), float(block.min())
            self._high, self._low = max(self._high, high), min(self._low, low)
            self.peak = max(self.peak, high, -low)
            self._upper.feed(block, high)
            self._lower.feed(block, -low)
            if high >= NEAR_PEAK * self.peak:
                self._runs += _runs(block >= high - FLAT_TOLERANCE * high, high, self._at)
            if low <= -NEAR_PEAK * self.peak:
                self._runs += _runs(block <= low - FLAT_TOLERANCE * low, low, self._at)
        self._at += block.size

    def clipped_runs(self) -> tuple[Run, ...]:
        """Runs at the greatest positive or negative code, or at 1.0 and beyond, of three samples and more: and more
        than a wave that just reaches that code stands on it.
        """
        return tuple(
            run
            for run in self._runs
            if self._at_full_scale(run.value) and run.length >= max(SHORTEST_RUN, self._smooth_samples(run.value))
        )

    def flat_runs(self) -> tuple[Run, ...]:
        """Runs of four samples and more at the take's own extreme below full scale; empty unless there are three of
        them, and where the extreme is so few codes high that any wave has them.
        """
        runs = tuple(
            run
            for run in self._runs
            if run.length >= max(FLAT_SHORTEST, self._smooth_samples(run.value))
            and run.value in (self._high, self._low)
            and not self._at_full_scale(run.value)
            and not self._few_codes(run.value)
        )
        return runs if len(runs) >= FLAT_RUNS else ()

    def blunt_runs(self) -> tuple[Run, ...]:
        """Crests that were cut off before the converter, as the runs within 1 % of each; of the polarity that has more
        of them, empty where they are round.
        """
        found: list[tuple[Run, ...]] = [()]
        for crests in (self._upper, self._lower):
            runs = tuple(Run(crest.start, crest.top, crests.sign * crest.value) for crest in crests.blunt())
            if runs and not self._few_codes(runs[0].value):
                found.append(runs)
        return max(found, key=len)

    def _few_codes(self, value: float) -> bool:
        return self.integer_bits is not None and abs(value) * 2.0 ** (self.integer_bits - 1) < FLAT_LEAST_CODES

    def _smooth_samples(self, value: float) -> float:
        """For how many samples the crest of the lowest string, as high as `value`, lies within one code of it: 1 - cos
        is half the square of a small angle.
        """
        code = FLAT_TOLERANCE if self.integer_bits is None else 2.0 ** (1 - self.integer_bits) / abs(value)
        return self.rate_hz * 2.0 * math.sqrt(2.0 * code) / (2.0 * math.pi * LOWEST_HZ)

    def _at_full_scale(self, value: float) -> bool:
        if self.integer_bits is None:
            return abs(value) >= 1.0
        step = 2.0 ** (1 - self.integer_bits)
        return value >= 1.0 - 1.5 * step or value <= -1.0 + 0.5 * step


def _runs(near: NDArray[np.bool_], value: float, at: int) -> list[Run]:
    """Runs of two samples and more among those marked; a block that begins at sample `at`."""
    index = np.flatnonzero(near)
    if index.size < 2 or value == 0.0:
        return []
    breaks = np.flatnonzero(np.diff(index) > 1)
    first = index[np.concatenate(([0], breaks + 1))]
    last = index[np.concatenate((breaks, [index.size - 1]))]
    return [
        Run(at + int(start), int(stop - start + 1), value)
        for start, stop in zip(first, last, strict=True)
        if stop > start
    ]
