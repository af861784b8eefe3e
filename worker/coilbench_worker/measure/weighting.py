"""Frequency weighting A: how much of a hum or hiss an ear notices at low levels.

Source: IEC 61672-1:2013, Annex E (poles and the 1 kHz normalisation), through two open transcriptions.
"""

import numpy as np

from coilbench_worker.measure.source import FloatArray

POLES_HZ = (20.598997, 107.652649, 737.862231, 12194.217148)


def _unnormalised_power(frequency_hz: FloatArray) -> FloatArray:
    squared = np.square(frequency_hz)
    f1, f2, f3, f4 = (pole * pole for pole in POLES_HZ)
    amplitude_squared = (f4 * squared * squared) ** 2 / (
        (squared + f1) ** 2 * (squared + f2) * (squared + f3) * (squared + f4) ** 2
    )
    result: FloatArray = np.asarray(amplitude_squared, dtype=np.float64)
    return result


def a_weighting_power(frequency_hz: FloatArray) -> FloatArray:
    """Factor by which A weighting changes power at each frequency; 1 at 1 kHz, 0 at 0 Hz.

    Parameters
    ----------
    frequency_hz : any shape, >= 0, Hz

    Returns
    -------
    factors of the same shape, no unit
    """
    return _unnormalised_power(frequency_hz) / float(_unnormalised_power(np.array(1000.0)))


def a_weighting_db(frequency_hz: FloatArray) -> FloatArray:
    """A weighting, dB, of frequencies above 0 Hz; same shape."""
    levels: FloatArray = 10.0 * np.log10(a_weighting_power(frequency_hz))
    return levels
