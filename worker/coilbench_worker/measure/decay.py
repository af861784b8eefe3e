"""How fast a strum dies away: backward integration of its energy, over all frequencies and in bass, middle and treble.

Source: Schroeder, J. Acoust. Soc. Am. 37 (1965) 409 (backward integration); the noise energy is subtracted before
integrating (Chu, J. Acoust. Soc. Am. 63 (1978) 1444), without which a floor 40 dB down turns 3 s into 9.

Two things cut a strum short: the next one, and the noise. What would have followed is put back as the geometric series
that the last two quarters of what there is begin (exact for an exponential), and the line is fitted only where that
estimate makes up less than half of the curve. A strum that does not fall in its last half (a floor nobody told of) is
used up to where it still falls.

Strings have double decays by nature, and the line from -3 to -23 dB is then what the definition says. Two bends are not
told as a number: a strum that falls faster and faster (`steepening`) before it is 23 dB down, and one that bends while
less than the whole range can be followed, as the line would depend on where noise or the next strum cut it.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from coilbench_worker.measure.cells import Cells, cells
from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray

FIT_FROM_DB, FIT_TO_DB, RANGE_NEEDED_DB = -3.0, -23.0, 10.0
ABOVE_NOISE_DB = 10.0
SMOOTHING_S = 0.05
FALLING_RATIO = 0.6
"""Energy of the last quarter over that of the quarter before: an exponential that falls by the 13 dB that a fit needs
has at most 0.47, a level floor has 1."""
FLOOR_SHARE, SHORTEST_S = 0.1, 0.1
"""Where the last part does not fall it is taken for a floor only if the level before it is 10 dB down, after 0.1 s."""
POINTS_NEEDED = 4
TAIL_FACTOR = 2.0
"""Energy of the curve over the estimate of what would follow, at the end of the line: with 3 or 4 fewer strums have a
value and those of modelled strums are no nearer."""
BENT_RATIO, POINTS_FOR_BEND = 0.75, 8
"""Fall of the second half of the line over that of the first: 0.83 to 1.28 in modelled strums, 0.61 in a double slope
of 60 and 15 dB/s that can be followed for 18 dB. What bends below where it can be followed can't be seen."""
STEEPENS = (
    "from {:.2f} s after the onset the level falls faster and faster, as in a fade-out or under a hand, and the strum "
    "was not {:g} dB down by then"
)
BENDS = "the decay bends, and only {:.1f} dB of the {:g} dB that define it can be followed"


@dataclass(frozen=True, slots=True)
class DecayCurve:
    """The energy decay curve: `level_db`, shape (n,), dB re its start, one for each cell of `cell_s` s while it is
    above nothing; `fit` is the fitted line: first cell, the cell after its last, its level in dB at the first, its
    slope in dB per cell.
    """

    level_db: FloatArray
    cell_s: float
    fit: tuple[int, int, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Decay:
    """Fall of the energy decay curve, dB/s (positive = dying away), or None with `reason`; `range_db` that was
    fitted. `curve` is for pictures.
    """

    db_per_s: float | None
    reason: str | None = None
    range_db: float | None = None
    curve: DecayCurve | None = field(default=None, compare=False, repr=False)


def energy_decay(samples: FloatArray, rate_hz: float, *, noise_power: float) -> Decay:
    """Fall of the strum's energy by backward integration.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, from the onset to the strum's end
    rate_hz : > 0, Hz
    noise_power : mean square of the noise in these samples, full scale = 1.0, >= 0; direct current counts as noise
        unless it was taken out of the samples

    Returns
    -------
    Decay : `db_per_s` (dB/s), fitted from -3 dB down to -23 dB or to the last level 10 dB above the noise; None with
        `reason` when that is less than 10 dB, or when the strum was cut off too early to say

    Raises
    ------
    ValueError : empty input, not finite, or a negative noise power

    Source: Schroeder 1965. Accuracy: 2 % on exponentials, cut short or over noise, tests/standards/test_decay.py.
    """
    return decay_of_cells(cells(samples, rate_hz), noise_power=noise_power)


def decay_of_cells(
    strum: Cells,
    *,
    noise_power: float,
    from_db: float = FIT_FROM_DB,
    to_db: float = FIT_TO_DB,
    steepens: int | None = None,
) -> Decay:
    """`energy_decay` of energies that are already summed in cells, from the onset to the strum's end.

    `from_db` and `to_db` are where the fit begins and ends on the curve, dB re its start (-5 and -25 give ISO 3382's
    T20). From cell `steepens` on the strum does not ring freely: only the whole range, reached before, is given.
    """
    if noise_power < 0.0:
        raise ValueError(f"noise power {noise_power} is negative")
    if steepens is not None:
        strum = replace(strum, energies=strum.energies[:steepens])
    size = strum.energies.size
    smooth = strum.means(SMOOTHING_S)
    if size < POINTS_NEEDED or float(smooth.max()) <= 0.0:
        return Decay(None, "the strum is silent or shorter than a few milliseconds")
    middle = strum.width(SMOOTHING_S) // 2
    end = clear = size
    if noise_power > 0.0:
        end = _last_above(smooth, 2.0 * noise_power, middle, size)
        clear = _last_above(smooth, noise_power * 10.0 ** (ABOVE_NOISE_DB / 10.0), middle, size)
        if clear == 0:
            return Decay(None, "the strum is nowhere 10 dB above the noise")
    net = strum.energies - noise_power * strum.samples_per_cell
    told = end
    end, tail = _what_would_follow(net, end)
    fallen = (
        end >= strum.width(SHORTEST_S)
        and smooth[min(max(end - 2 * middle, 0), smooth.size - 1)] <= FLOOR_SHARE * smooth.max()
    )
    if end < told and not fallen:
        if steepens is not None:
            return Decay(None, STEEPENS.format(steepens * strum.cell_s, -to_db))
        return Decay(None, "the level does not fall steadily: no decay can be told from it")
    curve = np.concatenate((np.cumsum(net[:end][::-1])[::-1], [0.0])) + tail
    if curve[0] <= 0.0:
        return Decay(None, "no energy is left above the noise")
    shown = DecayCurve(_shown_db(curve), strum.cell_s)
    lowest = curve[0] * 10.0 ** (to_db / 10.0)
    clear_energy = float(curve[min(clear, end)]) if clear < size else 0.0
    tail_energy = TAIL_FACTOR * tail
    limit = max(lowest, clear_energy, tail_energy)
    reach_db = power_db(limit / float(curve[0]))
    if steepens is not None and limit > lowest:
        return Decay(None, STEEPENS.format(steepens * strum.cell_s, -to_db), curve=shown)
    if reach_db is None or reach_db > from_db - RANGE_NEEDED_DB:
        why = _too_little(float(curve[0]), clear_energy, tail_energy, RANGE_NEEDED_DB - from_db)
        return Decay(None, why, curve=shown)
    line, level_db = _line(curve, limit, from_db, shown)
    if limit > lowest and line.range_db is not None and _bends(level_db):
        return Decay(None, BENDS.format(line.range_db, from_db - to_db), curve=shown)
    return line


def _line(curve: FloatArray, limit: float, from_db: float, shown: DecayCurve) -> tuple[Decay, FloatArray]:
    """Least-squares line through the levels of the curve, from `from_db` re its start to where it passes a limit; and
    these levels, dB.
    """
    first = int(np.argmax(curve <= curve[0] * 10.0 ** (from_db / 10.0)))
    last = first + int(np.argmax(curve[first:] < limit))
    level_db = 10.0 * np.log10(curve[first:last])
    if last - first < POINTS_NEEDED or level_db[0] - level_db[-1] < 0.8 * RANGE_NEEDED_DB:
        return Decay(None, "the strum dies away faster than can be followed here", curve=shown), level_db
    slope = _slope(level_db)
    start_db = float(level_db.mean()) - slope * (level_db.size - 1) / 2.0 - float(10.0 * np.log10(curve[0]))
    fitted = replace(shown, fit=(first, last, start_db, slope))
    return Decay(-slope / shown.cell_s, None, float(level_db[0] - level_db[-1]), fitted), level_db


def _shown_db(curve: FloatArray) -> FloatArray:
    """Levels of the curve re its start, dB, up to where nothing is left."""
    left = int(np.argmax(curve <= 0.0)) if (curve <= 0.0).any() else curve.size
    level_db: FloatArray = 10.0 * np.log10(curve[:left] / curve[0])
    return level_db


def _bends(level_db: FloatArray) -> bool:
    """Whether the lower half of the curve's levels falls far less fast than the upper."""
    if level_db.size < POINTS_FOR_BEND:
        return False
    half = int(np.argmax(level_db <= 0.5 * (level_db[0] + level_db[-1])))
    if min(half, level_db.size - half) < POINTS_FOR_BEND // 4:
        return False
    return _slope(level_db[half:]) > BENT_RATIO * _slope(level_db[:half])


def _slope(level_db: FloatArray) -> float:
    """Slope of the least-squares line through two equally spaced levels or more, dB per step."""
    steps = np.arange(level_db.size) - (level_db.size - 1) / 2.0
    return float(steps @ level_db / (steps @ steps))


def _last_above(smooth: FloatArray, power: float, middle: int, size: int) -> int:
    """Cell at the middle of the last window at or above a power; `size` when that is the last window of all, 0 if none
    is.
    """
    above = np.flatnonzero(smooth >= power)
    if above.size == 0:
        return 0
    last = int(above[-1])
    return size if last == smooth.size - 1 else last + middle


def _what_would_follow(net: FloatArray, end: int) -> tuple[int, float]:
    """Where to end the integration, and the energy to be expected beyond; (0, 0) when the level never falls
    steadily.
    """
    until = np.concatenate(([0.0], np.cumsum(net)))
    while end >= POINTS_NEEDED:
        quarter = end // 4
        before = until[end - quarter] - until[end - 2 * quarter]
        final = until[end] - until[end - quarter]
        if final <= 0.0 <= before:
            return end, 0.0
        if 0.0 < final < FALLING_RATIO * before:
            ratio = final / before
            return end, float(final * ratio / (1.0 - ratio))
        end = (4 * end) // 5
    return 0, 0.0


def _too_little(whole: float, clear_energy: float, tail_energy: float, needed_db: float) -> str:
    if clear_energy >= tail_energy:
        fall, where = power_db(whole / clear_energy) if clear_energy > 0.0 else 0.0, "10 dB above the noise"
    else:
        fall, where = power_db(whole / tail_energy), "where the strum ends or is followed no further"
    followed_db = max(fall or 0.0, 0.0)
    return f"the energy can be followed only {followed_db:.1f} dB down, to {where}; a decay needs {needed_db:g} dB"
