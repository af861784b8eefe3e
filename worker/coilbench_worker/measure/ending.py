"""How a strum ends: at the next onset, by a hand laid on the strings, in the noise, or with the file; whichever is
first.
"""

import numpy as np
from scipy.ndimage import uniform_filter1d

from coilbench_worker.measure.results import EndedBy
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import HOP_S, Survey

NOISE_MARGIN_DB = 6.0
LEVEL_FRAMES = round(0.050 / HOP_S)
EARLIEST_S = 0.050
DAMP_FALL_DB = 15.0
DAMP_S = 0.100
DAMP_STAYS_S = 0.100
DAMP_STEEPER = 3.0
DAMP_KNEE_DB = 3.0
DAMP_EARLIEST = round(0.150 / HOP_S)
"""Frames: while the last strings of a slow stroke come in, others under a palm already fall; that is no hand."""


def ending(course: Survey, onset: int, follower: int | None, frames: int, noise: float | None) -> tuple[int, EndedBy]:
    """End of a strum as a sample index, and what ended it.

    Parameters
    ----------
    course : survey of the take
    onset : sample at which the strum begins
    follower : sample at which the next one begins, or None
    frames : samples in the file
    noise : mean square of the noise, full scale = 1.0, or None when unknown
    """
    end: int = frames
    by: EndedBy = "file-end"
    if follower is not None:
        end, by = follower, "next"
    first = onset // course.hop
    power = course.power[first : min(-(-end // course.hop), course.frames)]
    earliest = round(EARLIEST_S / HOP_S)
    if noise is not None:
        level = uniform_filter1d(power, LEVEL_FRAMES, mode="nearest")
        low = np.flatnonzero(level[earliest:] <= noise * 10.0 ** (NOISE_MARGIN_DB / 10.0))
        if low.size:
            at = (first + earliest + int(low[0])) * course.hop
            if at < end:
                end, by = at, "noise"
    damped = _damped_frame(power)
    if damped is not None and (first + damped) * course.hop < end:
        end, by = (first + damped) * course.hop, "damped"
    return end, by


def _damped_frame(power: FloatArray) -> int | None:
    """First frame of a fall of 15 dB within 0.1 s that is far steeper than the fall before it and stays down; None
    without one.
    """
    span, stays = round(DAMP_S / HOP_S), round(DAMP_STAYS_S / HOP_S)
    smooth = np.maximum(uniform_filter1d(power, 3, mode="nearest"), 0.0)  # its running sum may end below 0
    level = 10.0 * np.log10(smooth + 1e-12)
    count = level.size - span - 1
    if count <= span:
        return None
    index = np.arange(span, count)
    fall = level[index] - level[index + span]
    before = np.maximum(level[index - span] - level[index], 0.0)
    steep = (fall >= DAMP_FALL_DB) & (fall >= DAMP_STEEPER * before)
    for at in index[steep]:
        rest = level[at + span : at + span + stays]
        if rest.max() <= level[at] - DAMP_FALL_DB + DAMP_KNEE_DB:
            knee = int(at + np.flatnonzero(level[at:] <= level[at] - DAMP_KNEE_DB)[0])
            if knee >= DAMP_EARLIEST:
                return knee
    return None
