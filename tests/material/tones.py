"""Reference tones as a generator would give them, and what spoils them; full scale = 1.0."""

import numpy as np

from coilbench_worker.measure.reference_tone import ReferenceTone, ToneUnfit, measure_tone
from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel

RATE_HZ = 48_000


def times(seconds: float, rate_hz: int = RATE_HZ) -> FloatArray:
    """Time of each sample, s."""
    return np.arange(round(seconds * rate_hz)) / rate_hz


def sine(
    frequency_hz: float = 1000.0,
    peak: float = 0.3,
    *,
    seconds: float = 2.0,
    rate_hz: int = RATE_HZ,
    phase: float = 0.7,
) -> FloatArray:
    """A sine, shape (n,)."""
    return peak * np.sin(2.0 * np.pi * frequency_hz * times(seconds, rate_hz) + phase)


def hiss(rms: float, size: int, seed: int = 1) -> FloatArray:
    """White noise of an RMS value, shape (size,)."""
    return np.random.default_rng(seed).normal(0.0, rms, size)


def rounded(samples: FloatArray, bits: int) -> FloatArray:
    """As a converter of so many bits gives them."""
    scale = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * scale), -scale, scale - 1) / scale


def among_silence(samples: FloatArray, before_s: float, after_s: float, rate_hz: int = RATE_HZ) -> FloatArray:
    """With silence before and after."""
    return np.concatenate((np.zeros(round(before_s * rate_hz)), samples, np.zeros(round(after_s * rate_hz))))


def measured_tone(samples: FloatArray, rate_hz: int = RATE_HZ) -> ReferenceTone:
    """The tone in one channel of samples."""
    return measure_tone(OneChannel(ArraySource(samples, rate_hz), 0))


def faults(samples: FloatArray, rate_hz: int = RATE_HZ) -> dict[str, str]:
    """What is wrong with it, sentence by code; empty for a tone that is fit."""
    try:
        measured_tone(samples, rate_hz)
    except ToneUnfit as unfit:
        return dict(unfit.faults)
    return {}
