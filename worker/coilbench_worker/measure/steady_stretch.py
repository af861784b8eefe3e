"""Where a recorded tone is steady: the stretch between the silence and plug noise at its ends."""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.channels import GREATEST
from coilbench_worker.measure.source import FloatArray, OneChannel

CELL_S = 0.1
"""At least two periods of the lowest tone, 20 Hz: a cell's level then swings by less than 0.4 dB with its phase."""
SAME_LEVEL_DB = 1.0
"""A cell belongs to the stretch while its level is so close to the stretch's: more than a cell of 20 Hz swings."""
LOUD_WITHIN_DB = 20.0
"""What is so close below the stretch's level is no silence."""
SILENCE_DBFS = -200.0
"""Cells at this level and below count as silent: 24-bit rounding lies 50 dB above."""


@dataclass(frozen=True, slots=True)
class SteadyStretch:
    """Samples `start`..`stop` of one level; `level_dbfs` is that level (about the mean), `peak` the greatest sample.

    `elsewhere_s` is how long the recording is about as loud or louder outside the stretch, the cells next to it (where
    the tone begins and ends) not counted.
    """

    start: int
    stop: int
    level_dbfs: float
    peak: float
    elsewhere_s: float


@dataclass(frozen=True, slots=True)
class Course:
    """Cells of `cell` samples: level about the mean, dBFS, SILENCE_DBFS at least, and greatest absolute sample.

    `fault_s` is where the first sample stands that is no number, or beyond any scale; the course ends there.
    """

    levels_dbfs: FloatArray
    peaks: FloatArray
    cell: int
    fault_s: float | None


def course(channel: OneChannel) -> Course:
    """One pass over the recording, 0.1 s at a time; a rest shorter than a cell is left out."""
    cell = max(round(CELL_S * channel.rate_hz), 1)
    levels: list[FloatArray] = []
    peaks: list[FloatArray] = []
    rest = np.zeros(0)
    at = 0
    for block in channel.blocks():
        sound = np.abs(block) <= GREATEST  # not a number compares as False
        if not sound.all():
            return Course(_joined(levels), _joined(peaks), cell, (at + int(np.argmin(sound))) / channel.rate_hz)
        at += block.size
        rest = np.concatenate((rest, block))
        whole = rest.size // cell
        cells = rest[: whole * cell].reshape(whole, cell)
        levels.append(_levels_dbfs(cells))
        peaks.append(np.abs(cells).max(axis=1, initial=0.0))
        rest = rest[whole * cell :].copy()
    return Course(_joined(levels), _joined(peaks), cell, None)


def steady_stretch(found: Course, shortest: int) -> SteadyStretch | None:
    """The loudest stretch of one level that has `shortest` samples and more, without its first and last cell.

    Parameters
    ----------
    found : of the recording
    shortest : samples that must remain

    Returns
    -------
    SteadyStretch; when none is long enough, the longest of the loud ones; None when all is silent
    """
    runs = _runs(found.levels_dbfs)
    if not runs:
        return None
    least = -(-shortest // found.cell) + 2
    long = [run for run in runs if run[1] - run[0] >= least]
    if long:
        start, stop, level = max(long, key=lambda run: run[2])
    else:
        loudest = max(run[2] for run in runs)
        near = [run for run in runs if run[2] >= loudest - LOUD_WITHIN_DB]
        start, stop, level = max(near, key=lambda run: (run[1] - run[0], run[2]))
    outside = np.ones(found.levels_dbfs.size, dtype=bool)
    outside[max(start - 1, 0) : stop + 1] = False
    loud = found.levels_dbfs >= level - LOUD_WITHIN_DB
    return SteadyStretch(
        start=(start + 1) * found.cell,
        stop=max(stop - 1, start + 1) * found.cell,
        level_dbfs=level,
        peak=float(found.peaks[start:stop].max()),
        elsewhere_s=float(np.count_nonzero(outside & loud)) * CELL_S,
    )


def _runs(levels_dbfs: FloatArray) -> list[tuple[int, int, float]]:
    """Cells in a row that keep the level of those before them: first, one past the last, mean level in dB."""
    runs: list[tuple[int, int, float]] = []
    start, total = 0, 0.0
    for at, level in enumerate(levels_dbfs):
        count = at - start
        if count and not abs(level - total / count) <= SAME_LEVEL_DB:
            runs.append((start, at, total / count))
            start, total = at, 0.0
        total += float(level)
    if levels_dbfs.size > start:
        runs.append((start, levels_dbfs.size, total / (levels_dbfs.size - start)))
    return [run for run in runs if run[2] > SILENCE_DBFS]


def _levels_dbfs(cells: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(cells.var(axis=1), 10.0 ** (SILENCE_DBFS / 10.0))))


def _joined(levels: list[FloatArray]) -> FloatArray:
    return np.concatenate(levels) if levels else np.zeros(0)
