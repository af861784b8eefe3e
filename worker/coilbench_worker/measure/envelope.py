"""The course of a strum's level: how it starts, and how long it stays up."""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.levels import ABOVE_NOISE, power_db
from coilbench_worker.measure.source import FloatArray

ATTACK_WINDOW_S = 0.001
LOW_SHARE, HIGH_SHARE = 0.1, 0.9
LEVEL_WINDOW_S = 0.05
FALL_DB = 20.0
HOLD_S = 1.0
QUIET_BEFORE = 0.05
"""Noise over the greatest of the envelope (-26 dB) up to which an attack is told: beyond, the 10 % are in the noise.
There a rise of 2 ms reads 0.2 ms too long, one of 10 ms or more within 2 % (mean over seeds; white, pink, hum)."""

ATTACK_IN_NOISE = "the noise is above 5 % (-26 dB) of the greatest level in the attack window"
ATTACK_NOT_SEEN = "what sounded before, as far as it was looked at, is above 10 % of the greatest level in the window"
FALLS_INTO_NOISE = "20 dB below its greatest level the strum is less than 6 dB above the noise"
STEEPENS = (
    "from {:.2f} s after the onset the level falls faster and faster, as in a fade-out or under a hand, before {}"
)


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


def attack(
    samples: FloatArray,
    rate_hz: float,
    *,
    onset: int = 0,
    stop_s: float = 0.1,
    start_s: float = 0.0,
    noise_power: float = 0.0,
) -> Attack:
    """Time for the 1 ms RMS envelope to go from 10 % to 90 % of its greatest value in the attack window.

    The rise begins where the envelope last rose through 10 % before it reaches 90 % in the window, and ends where it
    first reaches 90 % from there on; both are interpolated between samples. Start and end may lie before the onset, as
    far as there are samples: a click of the pick on the string, after which the level falls below 10 % again, does not
    count.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, ideally from 20 ms before the onset
    rate_hz : >= 2 kHz, Hz
    onset : index of the onset in `samples`
    start_s, stop_s : attack window from the onset, s
    noise_power : mean square of the noise, full scale = 1.0; it is taken off

    Returns
    -------
    Attack : None with `reason` for silence, when the window does not fit, when what sounded before is above 10 % of the
        greatest value, and when the noise is above 5 % of it
    """
    width = max(round(ATTACK_WINDOW_S * rate_hz), 1)
    first, last = onset + round(start_s * rate_hz), onset + round(stop_s * rate_hz)
    if first < 0 or last > samples.size or last - first < 2 * width:
        return Attack(None, "the attack window does not fit into the samples")
    until = np.concatenate(([0.0], np.cumsum(np.square(samples[:last]))))
    envelope = np.sqrt(np.maximum((until[width:] - until[:-width]) / width - noise_power, 0.0))
    greatest = float(envelope[first:].max())
    if greatest <= 0.0:
        return Attack(None, "the attack window is silent" if noise_power == 0.0 else ATTACK_IN_NOISE)
    if noise_power > (QUIET_BEFORE * greatest) ** 2:
        return Attack(None, ATTACK_IN_NOISE)
    reached = first + int(np.argmax(envelope[first:] >= HIGH_SHARE * greatest))
    below = np.flatnonzero(envelope[:reached] < LOW_SHARE * greatest)
    if below.size == 0:
        return Attack(None, ATTACK_NOT_SEEN)
    low = int(below[-1])
    high = low + int(np.argmax(envelope[low:] >= HIGH_SHARE * greatest))  # before the window when the onset is late
    rise_start = _crossing(envelope, low, LOW_SHARE * greatest)
    rise_end = _crossing(envelope, high - 1, HIGH_SHARE * greatest)
    return Attack(1000.0 * (rise_end - rise_start) / rate_hz)


def _crossing(envelope: FloatArray, before: int, value: float) -> float:
    """Position, in samples, at which a line between `before` and the next sample reaches a value."""
    low, high = float(envelope[before]), float(envelope[before + 1])
    return before + min(max((value - low) / (high - low), 0.0), 1.0) if high > low else float(before + 1)


def sustain(
    strum: Cells, *, greatest_before: int | None = None, noise_power: float = 0.0, steepens: int | None = None
) -> Sustain:
    """How long the 50 ms RMS level stays up, the power of the noise taken off.

    Parameters
    ----------
    strum : `cells` of the samples from the onset to the strum's end
    greatest_before : the greatest level is looked for in windows that end before this cell (one window at least), as
        the next strum may have begun by then; None for anywhere
    noise_power : mean square of the noise, full scale = 1.0
    steepens : cell from which on the strum does not ring freely (`steepening`), None for nowhere

    Returns
    -------
    Sustain : `sustain_20_s` is None when the level does not get 20 dB down before the strum ends (never extrapolated)
        or when 20 dB down is less than 6 dB above the noise; `hold_1s_db` is None when the strum ends before 1.025 s or
        is then less than 6 dB above the noise. Both are None where the strum steepens before
    """
    width = strum.width(LEVEL_WINDOW_S)
    means = strum.means(LEVEL_WINDOW_S)
    looked_at = means if greatest_before is None else means[: max(greatest_before - width + 1, 1)]
    if strum.energies.size < round(LEVEL_WINDOW_S / strum.cell_s) or float(looked_at.max()) <= 0.0:
        silent = "the strum is silent or shorter than 50 ms"
        return Sustain(None, None, silent, silent)
    loudest = int(np.argmax(looked_at))
    greatest = float(means[loudest]) - noise_power
    if greatest < (ABOVE_NOISE - 1.0) * noise_power:
        noisy = "the strum is nowhere 6 dB above the noise"
        return Sustain(None, None, noisy, noisy)
    net = means - noise_power
    free = means.size if steepens is None else max(steepens - width + 1, 0)
    sustain_20_s = _fall_s(net[loudest:] / greatest, free - loudest, strum.cell_s)
    sustain_reason = None
    if greatest * 10.0 ** (-FALL_DB / 10.0) < (ABOVE_NOISE - 1.0) * noise_power:
        sustain_20_s, sustain_reason = (
            None,
            "20 dB below its greatest level the strum is less than 6 dB above the noise",
        )
    elif sustain_20_s is None and steepens is not None:
        sustain_reason = STEEPENS.format(steepens * strum.cell_s, "it has fallen by 20 dB")
    elif sustain_20_s is None:
        fallen_db = -10.0 * np.log10(max(float(net[loudest:].min()) / greatest, 1e-30))
        sustain_reason = f"followed to its end, or for 30 s, the strum falls by {fallen_db:.1f} dB, and not by 20 dB"
    at = round(HOLD_S / strum.cell_s - width / 2.0)
    hold, hold_reason = None, None
    if at >= means.size:
        hold_reason = "the strum ends before 1.025 s"
    elif means[at] < ABOVE_NOISE * noise_power:
        hold_reason = "1 s after the onset the level is less than 6 dB above the noise"
    elif steepens is not None and at >= free:
        hold_reason = STEEPENS.format(steepens * strum.cell_s, "1.025 s have passed")
    elif (hold := power_db(float(net[at] / greatest))) is None:
        hold_reason = "silence 1 s after the onset"
    return Sustain(sustain_20_s, hold, sustain_reason, hold_reason)


def _fall_s(ratio: FloatArray, free: int, cell_s: float) -> float | None:
    """Time until the ratio to the greatest power is -20 dB, s; None when it is not before step `free`."""
    level_db = 10.0 * np.log10(np.maximum(ratio, 1e-30))
    fallen = level_db <= -FALL_DB
    index = int(np.argmax(fallen))
    if not fallen.any() or index >= free:
        return None
    above, under = float(level_db[index - 1]), float(level_db[index])
    return cell_s * (index - 1 + (above + FALL_DB) / (above - under))
