"""What is done to a recording afterwards, or by a cable: fades, pauses, cuts, turned polarity, channels."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
OTHER_CHANNEL_DB = -60.0
"""Hiss of the channel that carries nothing, dB re the RMS of the one that does."""


def faded_out(samples: FloatArray, rate_hz: int, *, start_s: float, stop_s: float) -> FloatArray:
    """Full until `start_s`, then a straight line in amplitude to 0 at `stop_s`; same shape."""
    time_s = np.arange(len(samples)) / rate_hz
    return samples * np.clip((stop_s - time_s) / (stop_s - start_s), 0, 1)


def with_pause(samples: FloatArray, rate_hz: int, *, at_s: float, pause_s: float) -> FloatArray:
    """Digital zero of `pause_s` put in at `at_s`; longer by that."""
    at = round(at_s * rate_hz)
    return np.concatenate((samples[:at], np.zeros(round(pause_s * rate_hz)), samples[at:]))


def turned(samples: FloatArray, rate_hz: int, *, at_s: float) -> FloatArray:
    """Polarity turned from `at_s` on; same shape."""
    result = samples.copy()
    result[round(at_s * rate_hz) :] *= -1
    return result


def beside_hiss(samples: FloatArray, *, side: Literal["left", "right"], seed: int = 5) -> FloatArray:
    """The take on one channel, hiss 60 dB below it on the other; shape (n, 2)."""
    height = np.sqrt(np.mean(samples**2)) * 10 ** (OTHER_CHANNEL_DB / 20)
    other = height * np.random.default_rng(seed).standard_normal(len(samples))
    return np.stack((samples, other) if side == "left" else (other, samples), axis=1)


def on_both(samples: FloatArray) -> FloatArray:
    """The same on two channels; shape (n, 2)."""
    return np.stack((samples, samples), axis=1)


def changing_sides(samples: FloatArray, rate_hz: int, *, at_s: float) -> FloatArray:
    """On the left until `at_s`, then on the right, hiss 60 dB below on the side that rests; shape (n, 2)."""
    at = round(at_s * rate_hz)
    pair = beside_hiss(samples, side="left")
    pair[at:] = pair[at:, ::-1]
    return pair
