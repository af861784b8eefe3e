"""What is left of a recorded tone beside its sine: harmonics, another line, or noise."""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.sine_fit import ONE_LINE_BINS, between_bins
from coilbench_worker.measure.source import FloatArray

HARMONICS_FROM, HARMONICS_TO = 2, 20
"""The second harmonic is the first there is; beyond the twentieth nothing of a sine that is fit is left."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left beside the sine of `beside_hz`: share of its power in harmonics, and in the highest other line.

    `third_seen` says whether the third harmonic lies below half the sample rate.
    """

    beside_hz: float
    harmonic_share: float
    line_share: float
    line_hz: float
    third_seen: bool


def rest(power: FloatArray, bin_hz: float, frequency_hz: float, rate_hz: float) -> Rest:
    """Split the spectrum of what is left.

    Parameters
    ----------
    power : shape (bins,), the spectrum of residuals of `fit_sine` from 0 to half the rate; any scale
    bin_hz : distance of its bins
    frequency_hz : of the sine
    rate_hz : > 0, Hz
    """
    power = power.copy()
    total = float(power.sum())
    third_seen = 3.0 * frequency_hz < rate_hz / 2.0
    if total <= 0.0:
        return Rest(frequency_hz, 0.0, 0.0, 0.0, third_seen)
    harmonics = 0.0
    for number in range(HARMONICS_FROM, HARMONICS_TO + 1):
        if number * frequency_hz < rate_hz / 2.0:
            harmonics += _take_out(power, number * frequency_hz / bin_hz)
    _take_out(power, frequency_hz / bin_hz)
    at = int(np.argmax(power))
    line_hz = between_bins(power, at) * bin_hz
    return Rest(frequency_hz, harmonics / total, _take_out(power, at) / total, line_hz, third_seen)


def _take_out(power: FloatArray, at: float) -> float:
    """Power of the bins around a line, which are emptied."""
    first = max(round(at) - ONE_LINE_BINS, 0)
    line = power[first : round(at) + ONE_LINE_BINS + 1]
    found = float(line.sum())
    line[:] = 0.0
    return found
