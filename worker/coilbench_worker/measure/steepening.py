"""Where a strum begins to fall faster than before: a fade-out, or a hand that comes down slowly.

What rings freely falls ever more slowly, as what dies fast dies first; what falls ever faster is being turned down. Two
straight lines are laid through the level in steps of 50 ms, where they fit best. If the second is steeper by half and
takes the level 2 dB below the first, the strum steepens where they part; before that the search goes on, as a fade-out
begins gently. Of 2880 courses of modelled strums (modes of six strings, cut and noisy) none was taken for a fade-out;
linear ones that lie on more than half of the strum are often missed.
"""

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.source import FloatArray

STEP_S = 0.05
"""Two periods and more of any string, and of hum."""
STEEPER = 1.5
"""Steepest free bend that modelled strums showed: 1.35, once in 2880."""
BELOW_DB = 2.0
"""Beats and the scatter of noise carriers part the lines by less, mostly."""
LEAST_FALL_DB_PER_S = 4.0
"""The first line counts as at least this steep, or a level that hardly falls would steepen at every beat."""
STEPS_BEFORE, STEPS_AFTER = 8, 3
"""0.4 s tell how the strum falls by itself, 0.15 s that it no longer does."""
DEEPEST_DB = 100.0
"""Below the loudest step; deeper ones at the end are silence and no fall."""


def steepening(strum: Cells) -> int | None:
    """Cell from which the level falls faster and faster, or None.

    Parameters
    ----------
    strum : from the onset to the strum's end; what is noise should not be part of it
    """
    width = max(round(STEP_S / strum.cell_s), 1)
    count = strum.energies.size // width
    if count < STEPS_BEFORE + STEPS_AFTER:
        return None
    energy = np.maximum(strum.energies[: count * width].reshape(count, width).sum(axis=1), 0.0)
    loudest = int(np.argmax(energy))
    greatest = float(energy[loudest])
    if greatest <= 0.0:
        return None
    ratio = energy[loudest:] / greatest
    heard = int(np.flatnonzero(ratio > 10.0 ** (-DEEPEST_DB / 10.0))[-1]) + 1
    level_db = 10.0 * np.log10(np.maximum(ratio[:heard], 10.0 ** (-DEEPEST_DB / 10.0)))
    end, found = level_db.size, None
    while (at := _bend(level_db[:end], LEAST_FALL_DB_PER_S * width * strum.cell_s)) is not None:
        end = found = at
    return None if found is None else (loudest + found) * width


def _bend(level_db: FloatArray, least_fall_db: float) -> int | None:
    """Step at which two lines through the level part best, if the second is that of a fade-out."""
    size = level_db.size
    if size < STEPS_BEFORE + STEPS_AFTER:
        return None
    sums = _Sums(level_db)
    at = np.arange(STEPS_BEFORE, size - STEPS_AFTER + 1)
    before, after = sums.lines(np.zeros_like(at), at), sums.lines(at, np.full_like(at, size))
    best = int(np.argmin(before[2] + after[2]))
    (slope, start), (later_slope, later_start) = ((line[0][best], line[1][best]) for line in (before, after))
    below_db = (start + slope * (size - 1)) - (later_start + later_slope * (size - 1))
    steep = -later_slope >= STEEPER * max(-slope, least_fall_db)
    return int(at[best]) if steep and below_db >= BELOW_DB else None


class _Sums:
    """Running sums, from which least-squares lines through any stretch of a course follow at once."""

    def __init__(self, values: FloatArray) -> None:
        step = np.arange(values.size, dtype=float)
        terms = np.array([np.ones(values.size), step, step * step, values, step * values, values * values])
        self._sums = np.concatenate((np.zeros((6, 1)), np.cumsum(terms, axis=1)), axis=1)

    def lines(self, start: NDArray[np.intp], stop: NDArray[np.intp]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Slope per step, value at step 0 and sum of squared errors for each stretch of two steps or more."""
        n, x, xx, y, xy, yy = self._sums[:, stop] - self._sums[:, start]
        spread = xx - x * x / n
        together = xy - x * y / n
        slope = together / spread
        return slope, (y - slope * x) / n, np.maximum(yy - y * y / n - slope * together, 0.0)
