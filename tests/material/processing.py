"""What may stand between a pickup and a file and should not: compressor, limiter, gate, an input that is overdriven.

Written from the definitions (from memory): the gain computer with a soft knee and the smooth, decoupled peak detector
in the logarithmic domain are those of Giannoulis, Massberg and Reiss, J. Audio Eng. Soc. 60 (2012) 399.
"""

from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

FloatArray = NDArray[np.float64]

STEP_S = 0.0002
"""The side chain works on the peaks of steps of 0.2 ms; the gain between them is a straight line."""
SILENCE_DBFS = -160.0


@dataclass(frozen=True)
class Compressor:
    """A feed-forward compressor; `ratio` infinity makes it a limiter.

    `threshold_dbfs`: peak level above which the gain falls. `knee_db`: width of the soft knee, 0 for a hard one.
    `attack_s`, `release_s`: time constants. `ahead_s`: how long before a peak the gain has come down.
    """

    threshold_dbfs: float
    ratio: float = 4.0
    attack_s: float = 0.005
    release_s: float = 0.15
    knee_db: float = 0.0
    ahead_s: float = 0.0
    makeup_db: float = 0.0

    def gain_db(self, samples: FloatArray, rate_hz: float) -> FloatArray:
        """Gain at every step of 0.2 ms, dB, without the make-up."""
        levels = _step_levels(samples, rate_hz)
        wanted = levels - self.static(levels)
        hold, follow = np.exp(-STEP_S / self.release_s), np.exp(-STEP_S / self.attack_s)
        peak = state = 0.0
        reduction = np.empty_like(wanted)
        for index, value in enumerate(wanted.tolist()):
            peak = max(value, hold * peak + (1 - hold) * value)
            state = follow * state + (1 - follow) * peak
            reduction[index] = state
        early = min(round(self.ahead_s / STEP_S), len(reduction))
        return -np.concatenate((reduction[early:], np.full(early, reduction[-1])))

    def static(self, level_db: FloatArray) -> FloatArray:
        """Output level of the gain computer, dB, for an input level."""
        slope = 0.0 if self.ratio == inf else 1 / self.ratio
        over = level_db - self.threshold_dbfs
        if self.knee_db <= 0:
            return np.where(over > 0, self.threshold_dbfs + slope * over, level_db)
        half = self.knee_db / 2
        bent = level_db + (slope - 1) * (over + half) ** 2 / (2 * self.knee_db)
        return np.where(over <= -half, level_db, np.where(over >= half, self.threshold_dbfs + slope * over, bent))

    def processed(self, samples: FloatArray, rate_hz: float) -> FloatArray:
        """The samples as they leave it, same shape."""
        return _times_gain(samples, self.gain_db(samples, rate_hz) + self.makeup_db, rate_hz)


@dataclass(frozen=True)
class Gate:
    """A noise gate: opens above `threshold_dbfs` (peak), closes `hysteresis_db` below it after `hold_s`; closed it lets
    `range_db` less through. `attack_s`: time constant of opening; `release_s`: time in which it closes by 60 dB.
    """

    threshold_dbfs: float
    range_db: float = 60.0
    hysteresis_db: float = 4.0
    attack_s: float = 0.001
    hold_s: float = 0.05
    release_s: float = 0.15
    level_s: float = 0.02

    def gain_db(self, samples: FloatArray, rate_hz: float) -> FloatArray:
        """Gain at every step of 0.2 ms, dB."""
        levels = _step_levels(samples, rate_hz)
        fall = 20 * STEP_S / self.level_s * np.log10(np.e)
        open_now, since, level, gain = False, inf, SILENCE_DBFS, -self.range_db
        rise = 1 - np.exp(-STEP_S / self.attack_s)
        closing = 60 * STEP_S / self.release_s
        found = np.empty_like(levels)
        for index, value in enumerate(levels.tolist()):
            level = max(value, level - fall)
            if level >= self.threshold_dbfs:
                open_now, since = True, 0.0
            elif level >= self.threshold_dbfs - self.hysteresis_db and open_now:
                since = 0.0
            else:
                since += STEP_S
                open_now = open_now and since < self.hold_s
            gain = gain + rise * (0.0 - gain) if open_now else max(gain - closing, -self.range_db)
            found[index] = gain
        return found

    def processed(self, samples: FloatArray, rate_hz: float) -> FloatArray:
        """The samples as they leave it, same shape."""
        return _times_gain(samples, self.gain_db(samples, rate_hz), rate_hz)


@dataclass(frozen=True)
class OverdrivenInput:
    """An input that clips before its converter.

    `ceiling`: peak it can carry, full scale = 1.0; `low_ceiling`: on the other side, None for the same. `softness`:
    share of the ceiling over which it bends rather than breaks. `high_pass_hz`: the coupling after it, which tilts the
    tops; None for none. `oversampling`: times the sample rate at which it clips, after which the converter's steep
    filter makes the tops ripple; 1 for none. `hiss_dbfs`: of the converter, None for none.
    """

    ceiling: float
    low_ceiling: float | None = None
    softness: float = 0.0
    high_pass_hz: float | None = None
    oversampling: int = 4
    hiss_dbfs: float | None = -95.0

    def processed(self, samples: FloatArray, rate_hz: float, seed: int = 0) -> FloatArray:
        """The samples as they leave the converter, same shape."""
        low = self.ceiling if self.low_ceiling is None else self.low_ceiling
        sound = resample_poly(samples, self.oversampling, 1) if self.oversampling > 1 else samples
        sound = np.where(sound >= 0, _held(sound, self.ceiling, self.softness), -_held(-sound, low, self.softness))
        if self.oversampling > 1:
            sound = resample_poly(sound, 1, self.oversampling)[: len(samples)]
        if self.high_pass_hz is not None:
            sound = sosfilt(butter(1, self.high_pass_hz, "highpass", fs=rate_hz, output="sos"), sound)
        if self.hiss_dbfs is not None:
            sound = sound + converter_hiss(len(sound), self.hiss_dbfs, seed)
        return np.asarray(sound)


def converter_hiss(frames: int, rms_dbfs: float, seed: int) -> FloatArray:
    """White noise that comes in after everything else, shape (frames,), full scale = 1.0."""
    return 10 ** (rms_dbfs / 20) * np.random.default_rng([seed, 21]).standard_normal(frames)


def _held(samples: FloatArray, ceiling: float, softness: float) -> FloatArray:
    """Samples held at a ceiling; those in the uppermost share of it bend."""
    if softness <= 0:
        return np.minimum(samples, ceiling)
    knee = (1 - softness) * ceiling
    bent = knee + (ceiling - knee) * np.tanh((samples - knee) / (ceiling - knee))
    return np.where(samples <= knee, samples, bent)


def _step_levels(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Peak level of each step, dBFS."""
    length = _step_samples(rate_hz)
    steps = -(-len(samples) // length)
    padded = np.concatenate((np.abs(samples), np.zeros(steps * length - len(samples))))
    return 20 * np.log10(np.maximum(padded.reshape(steps, length).max(axis=1), 10 ** (SILENCE_DBFS / 20)))


def _step_samples(rate_hz: float) -> int:
    return max(round(STEP_S * rate_hz), 1)


def _times_gain(samples: FloatArray, gain_db: FloatArray, rate_hz: float) -> FloatArray:
    at = (np.arange(len(gain_db)) + 1.0) * _step_samples(rate_hz)
    gain = np.interp(np.arange(len(samples)), at, 10 ** (gain_db / 20))
    return np.asarray(samples * gain)
