"""What lies between the pickup and the file: input gain, hum, hiss, offset, a crackling cable, polarity, clipping."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .types import FloatArray

HUM_HARMONICS_DB: tuple[float, ...] = (0.0, -9.0, -6.0, -15.0, -12.0, -20.0, -18.0)
"""Mains hum: the fundamental and its harmonics, dB re the fundamental (common practice, no source)."""


@dataclass(frozen=True)
class Chain:
    """An input. `full_scale_v`: peak volts that read full scale at `input_gain_db` 0; noise levels are RMS, dBFS, at
    any gain.

    `crackles_per_s` counts the bursts of a bad cable, of peak `crackle_dbfs`. `clips` holds the samples within full
    scale.
    """

    full_scale_v: float = 17.4
    input_gain_db: float = 11.0
    hum_hz: float | None = None
    hum_dbfs: float = -78.0
    hiss_dbfs: float | None = -84.0
    dc_offset: float = 0.0
    crackles_per_s: float = 0.0
    crackle_dbfs: float = -30.0
    polarity: Literal[1, -1] = 1
    clips: bool = True

    def scaled(self, volts: FloatArray) -> FloatArray:
        """Samples without noise: full scale = 1.0, gain and polarity applied, nothing clipped; same shape."""
        return volts * (self.polarity * 10 ** (self.input_gain_db / 20) / self.full_scale_v)

    def noise(self, frames: int, rate_hz: float, seed: int) -> FloatArray:
        """Hum, hiss, offset and crackles, shape (frames,), full scale = 1.0."""
        sound = np.full(frames, self.dc_offset)
        if self.hiss_dbfs is not None:
            sound += 10 ** (self.hiss_dbfs / 20) * np.random.default_rng([seed, 11]).standard_normal(frames)
        if self.hum_hz is not None:
            sound += hum(frames, rate_hz, hum_hz=self.hum_hz, rms_dbfs=self.hum_dbfs, seed=seed)
        if self.crackles_per_s > 0:
            sound += crackles(frames, rate_hz, per_s=self.crackles_per_s, peak_dbfs=self.crackle_dbfs, seed=seed)
        return sound

    def recorded(self, clean: FloatArray, rate_hz: float, seed: int) -> FloatArray:
        """What reaches the file: clean samples, noise, clipping; same shape."""
        sound = clean + self.noise(len(clean), rate_hz, seed)
        return np.clip(sound, -1.0, 1.0) if self.clips else sound

    def noise_power(self) -> float:
        """Mean square of hum and hiss, full scale = 1.0: the steady floor that strums sink into."""
        power = 0.0 if self.hiss_dbfs is None else 10 ** (self.hiss_dbfs / 10)
        return power if self.hum_hz is None else power + 10 ** (self.hum_dbfs / 10)


DESK = Chain()


def hum(frames: int, rate_hz: float, *, hum_hz: float, rms_dbfs: float, seed: int = 0) -> FloatArray:
    """Mains hum of fixed harmonics with phases drawn from `seed`, RMS of all lines `rms_dbfs`, shape (frames,)."""
    amplitude = 10 ** (np.array(HUM_HARMONICS_DB) / 20)
    amplitude *= 10 ** (rms_dbfs / 20) / np.sqrt(np.sum(amplitude**2) / 2)
    phase = np.random.default_rng([seed, 12]).uniform(0, 2 * np.pi, len(amplitude))
    time_s = np.arange(frames) / rate_hz
    sound = np.zeros(frames)
    for number, (height, start) in enumerate(zip(amplitude, phase, strict=True), start=1):
        sound += height * np.sin(2 * np.pi * number * hum_hz * time_s + start)
    return sound


def crackles(frames: int, rate_hz: float, *, per_s: float, peak_dbfs: float, seed: int = 0) -> FloatArray:
    """Bursts of a bad cable: noise dying away within 4-25 ms at instants drawn from `seed`, shape (frames,)."""
    random = np.random.default_rng([seed, 13])
    sound = np.zeros(frames)
    for _ in range(max(1, round(per_s * frames / rate_hz))):
        start = int(random.uniform(0, frames))
        fall_s = random.uniform(0.001, 0.006)
        burst = random.standard_normal(min(frames - start, int(4 * fall_s * rate_hz) + 1))
        burst *= np.exp(-np.arange(len(burst)) / (fall_s * rate_hz))
        height = 10 ** ((peak_dbfs - random.uniform(0, 12)) / 20)
        sound[start : start + len(burst)] += height * burst / np.max(np.abs(burst))
    return sound
