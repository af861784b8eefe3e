"""String squeaks: a finger moving along a wound string while the others ring."""

import numpy as np
from numpy.typing import NDArray

FROM_HZ, TO_HZ = 900.0, 3600.0
"""A finger at 0.3 to 1 m/s over windings about 0.3 mm apart (common practice, no source)."""
HARMONICS_DB = (0.0, -9.0, -18.0)


def squeak(rate_hz: int, *, length_s: float, seed: int) -> NDArray[np.float64]:
    """Noise through a narrow band that sweeps, rising and falling gently, peak 1; shape (length_s * rate_hz,).

    Parameters
    ----------
    rate_hz : sample rate, Hz
    length_s : 0.05 to 0.3 s, common practice
    seed : of the sweep, the band's width and the noise
    """
    random = np.random.default_rng([seed, 61])
    frames = round(length_s * rate_hz)
    centre_hz = np.geomspace(random.uniform(FROM_HZ, TO_HZ), random.uniform(FROM_HZ, TO_HZ), frames)
    centre_hz *= 1 + 0.05 * np.sin(2 * np.pi * random.uniform(8, 20) * np.arange(frames) / rate_hz)
    half_width_hz = random.uniform(60, 250)
    steps = max(2, round(2 * length_s * half_width_hz))
    knots = random.standard_normal((2 * len(HARMONICS_DB), steps))
    at = np.linspace(0, steps - 1, frames)
    slow = np.stack([np.interp(at, np.arange(steps), row) for row in knots])
    phase = 2 * np.pi * np.cumsum(centre_hz) / rate_hz
    sound = np.zeros(frames)
    for number, height_db in enumerate(HARMONICS_DB, start=1):
        inside = number * centre_hz < 0.45 * rate_hz
        wave = slow[2 * number - 2] * np.cos(number * phase) + slow[2 * number - 1] * np.sin(number * phase)
        sound += 10 ** (height_db / 20) * wave * inside
    position = np.arange(frames) / max(frames, 1)
    sound *= np.sin(np.pi * position**0.7) ** 2
    return np.asarray(sound / np.max(np.abs(sound)))
