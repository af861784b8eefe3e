"""The course of a strum's level: how it starts, and how long it stays up."""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray

ATTACK_WINDOW_S = 0.001
LOW_SHARE, HIGH_SHARE = 0.1, 0.9
LEVEL_WINDOW_S = 0.05
FALL_DB = 20.0
HOLD_S = 1.0


@dataclass(frozen=True, slots=True)
class Attack:
    """Rise from 10 % to 90 % of the envelope's greatest value, ms, or None with `reason`."""

    ms: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Sustain:
    """`sustain_20_s`: s from the greatest 50 ms level until it is 20 dB lower; `hold_1s_db`: that level 1.0 s after
    the onset re the greatest, dB. Each is None with its reason.
    """

    sustain_20_s: float | None
    hold_1s_db: float | None
    sustain_reason: str | None = None
    hold_reason: str | None = None


def attack(samples: FloatArray, rate_hz: float, *, onset: int = 0, stop_s: float = 0.1, start_s: float = 0.0) -> Attack:
    """Time for the 1 ms RMS envelope to go from 10 % to 90 % of its greatest value in the attack window.

    The rise ends where the envelope first reaches 90 % in the window, and began where it last rose through 10 %
    before; both are interpolated between samples. That start may lie before the onset, as far as there are samples: a
    click of the pick on the string, after which the level falls below 10 % again, does not count.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, ideally from 20 ms before the onset
    rate_hz : >= 2 kHz, Hz
    onset : index of the onset in `samples`
    start_s, stop_s : attack window from the onset, s

    Returns
    -------
    Attack : None with `reason` for silence, when the window does not fit, and when what sounded before the strum is
    above
        10 % of its greatest value
    """
    width = max(round(ATTACK_WINDOW_S * rate_hz), 1)
    first, last = onset + round(start_s * rate_hz), onset + round(stop_s * rate_hz)
    if first < 0 or last > samples.size or last - first < 2 * width:
        return Attack(None, "the attack window does not fit into the samples")
    until = np.concatenate(([0.0], np.cumsum(np.square(samples[:last]))))
    envelope = np.sqrt(np.maximum(until[width:] - until[:-width], 0.0))
    greatest = float(envelope[first:].max())
    if greatest <= 0.0:
        return Attack(None, "the attack window is silent")
    high = first + int(np.argmax(envelope[first:] >= HIGH_SHARE * greatest))
    below = np.flatnonzero(envelope[:high] < LOW_SHARE * greatest)
    if below.size == 0:
        return Attack(None, "what sounded before the strum is above 10 % of its greatest level")
    rise_end = _crossing(envelope, high - 1, HIGH_SHARE * greatest) if high > 0 else 0.0
    rise_start = _crossing(envelope, int(below[-1]), LOW_SHARE * greatest)
    return Attack(1000.0 * (rise_end - rise_start) / rate_hz)


def _crossing(envelope: FloatArray, before: int, value: float) -> float:
    """Position, in samples, at which a line between `before` and the next sample reaches a value."""
    low, high = float(envelope[before]), float(envelope[before + 1])
    return before + min(max((value - low) / (high - low), 0.0), 1.0) if high > low else float(before + 1)


def sustain(strum: Cells, *, greatest_before: int | None = None) -> Sustain:
    """How long the 50 ms RMS level stays up.

    Parameters
    ----------
    strum : `cells` of the samples from the onset to the strum's end
    greatest_before : the greatest level is looked for in windows that end before this cell (one window at least), as
        the next strum may have begun by then; None for anywhere

    Returns
    -------
    Sustain : `sustain_20_s` is None when the level does not get 20 dB down before the strum ends (never extrapolated);
        `hold_1s_db` is None when the strum ends before 1.025 s
    """
    width = strum.width(LEVEL_WINDOW_S)
    means = strum.means(LEVEL_WINDOW_S)
    looked_at = means if greatest_before is None else means[: max(greatest_before - width + 1, 1)]
    if strum.energies.size < round(LEVEL_WINDOW_S / strum.cell_s) or float(looked_at.max()) <= 0.0:
        silent = "the strum is silent or shorter than 50 ms"
        return Sustain(None, None, silent, silent)
    loudest = int(np.argmax(looked_at))
    level_db = 10.0 * np.log10(np.maximum(means[loudest:] / means[loudest], 1e-30))
    fallen = level_db <= -FALL_DB
    if fallen.any():
        index = int(np.argmax(fallen))
        above, under = float(level_db[index - 1]), float(level_db[index])
        sustain_20_s, sustain_reason = strum.cell_s * (index - 1 + (above + FALL_DB) / (above - under)), None
    else:
        sustain_20_s = None
        sustain_reason = f"the strum ends {-float(level_db.min()):.1f} dB down, before it has fallen by 20 dB"
    centre = HOLD_S / strum.cell_s - width / 2.0
    at = round(centre)
    if at >= means.size:
        return Sustain(sustain_20_s, None, sustain_reason, "the strum ends before 1.025 s")
    hold = power_db(float(means[at] / means[loudest]))
    return Sustain(sustain_20_s, hold, sustain_reason, None if hold is not None else "silence 1 s after the onset")
