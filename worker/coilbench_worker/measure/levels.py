"""Levels of a stretch of samples, dB re full scale (full scale = 1.0).

RMS levels are plain: a full-scale sine reads -3.01 dBFS (AES17 and IEC 61606 call the same sine 0 dB FS). The level of
silence is None: no number is made up for it. Nothing is subtracted here, direct current least of all.
"""

from math import log10

import numpy as np

from coilbench_worker.measure.source import FloatArray

ABOVE_NOISE = 4.0
"""Power over that of the noise (6 dB) from which on a level is told, the noise taken off: there it is right within
0.3 dB. ISO 3744 corrects from 6 dB on as well (from memory)."""
SMALLEST = 1e-16
"""Mean square, full scale = 1.0: converters do not get below -160 dB."""


def power(samples: FloatArray) -> float:
    """Mean square, full scale squared = 1.0.

    Parameters
    ----------
    samples : shape (n,), n >= 1, full scale = 1.0

    Raises
    ------
    ValueError : empty input, or not finite
    """
    return energy(samples) / samples.size


def energy(samples: FloatArray) -> float:
    """Sum of squares over shape (n,), n >= 1, full scale squared = 1.0; ValueError when empty or not finite."""
    if samples.size == 0:
        raise ValueError("no samples: a level needs at least one")
    total = float(np.dot(samples, samples))
    if not np.isfinite(total):
        raise ValueError("samples are not finite (NaN or infinity), or too large to square")
    return total


def power_db(value: float) -> float | None:
    """10 log10 of a power or a ratio of powers, dB; None when it is not above zero."""
    return 10.0 * log10(value) if value > 0.0 else None


def peak_dbfs(samples: FloatArray) -> float | None:
    """Greatest absolute sample, dBFS; None for silence.

    Parameters
    ----------
    samples : shape (n,), n >= 1, full scale = 1.0

    Raises
    ------
    ValueError : empty input
    """
    if samples.size == 0:
        raise ValueError("no samples: a level needs at least one")
    peak = max(float(samples.max()), -float(samples.min()))
    return 20.0 * log10(peak) if peak > 0.0 else None


def rms_dbfs(samples: FloatArray) -> float | None:
    """Root mean square, dBFS (full-scale sine: -3.01); None for silence.

    Parameters
    ----------
    samples : shape (n,), n >= 1, full scale = 1.0

    Raises
    ------
    ValueError : empty input, or not finite
    """
    return power_db(power(samples))


def crest_db(samples: FloatArray) -> float | None:
    """Peak over RMS, dB: 0 for a square wave, 3.01 for a sine; None for silence.

    Parameters
    ----------
    samples : shape (n,), n >= 1, full scale = 1.0

    Raises
    ------
    ValueError : empty input, or not finite
    """
    peak, rms = peak_dbfs(samples), rms_dbfs(samples)
    return None if peak is None or rms is None else peak - rms


def level_difference_db(samples: FloatArray, reference: FloatArray) -> float | None:
    """RMS of one stretch over the RMS of another, dB; None when either is silent.

    Parameters
    ----------
    samples, reference : shapes (n,) and (m,), n and m >= 1, full scale = 1.0

    Raises
    ------
    ValueError : empty input, or not finite
    """
    over, under = power(samples), power(reference)
    return power_db(over / under) if under > 0.0 else None


def energy_average_dbfs(powers: list[float]) -> float | None:
    """Level of the mean of several mean squares (the energy average), dBFS; None when empty or all silent."""
    return power_db(sum(powers) / len(powers)) if powers else None


def dc_offset(samples: FloatArray) -> float:
    """Mean of the samples (direct current), full scale = 1.0, sign kept; ValueError when empty."""
    if samples.size == 0:
        raise ValueError("no samples: an offset needs at least one")
    return float(np.mean(samples))
