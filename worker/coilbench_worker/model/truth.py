"""What is known of a modelled take, taken from its noise-free signal by the definitions that measuring uses.

This is a second, independent reading of those definitions (the measuring code is not imported), so that the two can be
held against each other.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .types import FloatArray

LEVEL_WINDOW_S = 0.5
FIT_FROM_DB, FIT_TO_DB = -3.0, -23.0
FALL_NEEDED_DB = 33.0
"""The noise-free strum must fall this far before it ends, else where it was cut bends the curve and no truth is
claimed.
"""
FLOOR_MARGIN_DB = 6.0

EndedBy = Literal["next", "damped", "noise", "file-end"]


@dataclass(frozen=True)
class StrumTruth:
    """One strum: its first string's onset, its end, the RMS level 0-0.5 s from the onset and its decay; None = not
    known.
    """

    onset_s: float
    end_s: float
    ended_by: EndedBy
    force_db: float
    rms_dbfs: float | None
    peak_dbfs: float | None
    decay_db_per_s: float | None


@dataclass(frozen=True)
class Truth:
    """One take. `single_rate_db_per_s` is exact where every mode was told to decay at one rate, else None."""

    strums: tuple[StrumTruth, ...]
    noise_dbfs: float | None
    hum_hz: float | None
    clipped: bool
    single_rate_db_per_s: float | None = None

    @property
    def onsets_s(self) -> tuple[float, ...]:
        """Onsets of all strums, s."""
        return tuple(strum.onset_s for strum in self.strums)


def rms_dbfs(clean: FloatArray, rate_hz: float, *, start_s: float, stop_s: float) -> float | None:
    """RMS level of the noise-free samples between two instants, dBFS; None for silence or when the window leaves the
    take.
    """
    first, last = round(start_s * rate_hz), round(stop_s * rate_hz)
    if first < 0 or last > len(clean) or first >= last:
        return None
    power = float(np.mean(clean[first:last] ** 2))
    return 10 * float(np.log10(power)) if power > 0 else None


def peak_dbfs(clean: FloatArray, rate_hz: float, *, start_s: float, stop_s: float) -> float | None:
    """Greatest absolute noise-free sample between two instants, dBFS; None for silence."""
    part = np.abs(clean[round(start_s * rate_hz) : round(stop_s * rate_hz)])
    peak = float(np.max(part, initial=0.0))
    return 20 * float(np.log10(peak)) if peak > 0 else None


def decay_db_per_s(clean: FloatArray, rate_hz: float, *, start_s: float, stop_s: float) -> float | None:
    """Fall of the noise-free energy decay curve from -3 to -23 dB, by least squares, dB/s.

    Source: backward integration, Schroeder, J. Acoust. Soc. Am. 37 (1965) 409. None when the curve has not yet fallen
    33 dB in the last 20 ms before `stop_s`.
    """
    part = clean[round(start_s * rate_hz) : round(stop_s * rate_hz)]
    remaining = np.cumsum(part[::-1] ** 2)[::-1]
    near_end = round(0.020 * rate_hz)
    if len(part) <= 2 * near_end or remaining[0] <= 0:
        return None
    last_level = float(np.mean(part[-near_end:] ** 2)) / float(np.max(short_power(part, near_end)))
    if last_level > 10 ** (-FALL_NEEDED_DB / 10):
        return None
    level_db = 10 * np.log10(np.maximum(remaining / remaining[0], 1e-30))
    fitted = (level_db <= FIT_FROM_DB) & (level_db >= FIT_TO_DB)
    times_s = np.flatnonzero(fitted) / rate_hz
    if len(times_s) < 2:
        return None
    return -float(np.polyfit(times_s, level_db[fitted], 1)[0])


def short_power(samples: FloatArray, frames: int) -> FloatArray:
    """Mean square of consecutive windows of `frames` samples, shape (len // frames,)."""
    whole = len(samples) // frames
    power: FloatArray = np.mean(samples[: whole * frames].reshape(whole, frames) ** 2, axis=1)
    return power


def sinks_into_noise_s(
    clean: FloatArray, rate_hz: float, *, start_s: float, stop_s: float, noise_power: float
) -> float | None:
    """First instant after the strum's loudest 50 ms at which its 50 ms level is below the noise + 6 dB, s; None if
    never.
    """
    frames = round(0.050 * rate_hz)
    power = short_power(clean[round(start_s * rate_hz) : round(stop_s * rate_hz)], frames)
    if not len(power) or noise_power <= 0:
        return None
    loudest = int(np.argmax(power))
    below = np.flatnonzero(power[loudest:] < noise_power * 10 ** (FLOOR_MARGIN_DB / 10))
    return start_s + (loudest + int(below[0])) * frames / rate_hz if len(below) else None
