"""A sine fitted to a short stretch by least squares: frequency, level and what is left over.

Four parameters (two amplitudes, offset, frequency), weighted by a raised cosine: without the weights harmonics, hum and
a slow drift would leak into the level, as the stretch rarely holds a whole number of periods.

Source: the four-parameter fit of IEEE Std 1057 and 1241 (from memory: Gauss-Newton on the frequency), with weights.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from coilbench_worker.measure.source import FloatArray

MOST_STEPS = 12
SETTLED = 1e-10
"""Relative change of the frequency at which the fit has settled, far below the accuracy that is asked for."""
ONE_LINE_BINS = 3
"""A steady line, seen through the weights, lies within so many bins of its frequency."""


@dataclass(frozen=True, slots=True)
class SineFit:
    """`power` is the sine's mean square, `residual` what is left of the samples, shape (n,), times the root of the
    weights, so that its energy over the number of samples is the mean square of what is left (full scale = 1.0).
    """

    frequency_hz: float
    power: float
    residual_power: float
    residual: FloatArray


def fit_sine(samples: FloatArray, rate_hz: float) -> SineFit | None:
    """The sine that fits best, begun at the highest line of the spectrum.

    Parameters
    ----------
    samples : shape (n,), n >= 16, finite, full scale = 1.0; at least some four periods
    rate_hz : > 0, Hz

    Returns
    -------
    SineFit, or None where there is no sine to be found: silence, or a fit that runs off below zero or past half the
    rate

    Accuracy: tests/standards/test_calibration.py.
    """
    weights = raised_cosine(samples.size)
    start = _highest_line(samples, weights)
    if start is None:
        return None
    omega, n = start, np.arange(samples.size) - (samples.size - 1) / 2.0
    root = np.sqrt(weights)
    weighted = samples * root
    for _ in range(MOST_STEPS):
        cosine, sine = np.cos(omega * n), np.sin(omega * n)
        a, b, _ = _solve((cosine, sine), weighted, root)
        a, b, _, step = _solve((cosine, sine, n * (b * cosine - a * sine)), weighted, root, offset_at=2)
        limit = np.pi / samples.size  # half a bin: from a poor start the full step may leave the line
        step = float(np.clip(step, -limit, limit))
        omega += step
        if not 0.0 < omega < np.pi:
            return None
        if abs(step) <= SETTLED * omega:
            break
    cosine, sine = np.cos(omega * n), np.sin(omega * n)
    a, b, offset = _solve((cosine, sine), weighted, root)
    residual = weighted - root * (a * cosine + b * sine + offset)
    return SineFit(
        frequency_hz=float(omega * rate_hz / (2.0 * np.pi)),
        power=float(a * a + b * b) / 2.0,
        residual_power=float(residual @ residual) / samples.size,
        residual=residual,
    )


@lru_cache(maxsize=4)
def raised_cosine(length: int) -> FloatArray:
    """Weights of mean 1, shape (length,), that vanish towards both ends; not to be written to."""
    weights = 1.0 - np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)
    weights.flags.writeable = False
    return weights


def between_bins(power: FloatArray, at: int) -> float:
    """Where a line lies whose highest bin is `at`, in bins: the top of a parabola through the logarithms of three."""
    if not 0 < at < power.size - 1 or not power[at] > 0.0:
        return float(at)
    low, middle, high = np.log(np.maximum(power[at - 1 : at + 2], power[at] * 1e-12))
    bend = low - 2.0 * middle + high
    shift = 0.5 * (low - high) / bend if bend < 0.0 else 0.0
    return float(at + np.clip(shift, -0.5, 0.5))


def _highest_line(samples: FloatArray, weights: FloatArray) -> float | None:
    """Frequency of the highest line, radians a sample, interpolated by a parabola through the levels of three bins."""
    mean = float(np.average(samples, weights=weights))
    length = int(fft.next_fast_len(2 * samples.size, real=True))
    power = np.abs(fft.rfft((samples - mean) * weights, length)) ** 2
    at = int(np.argmax(power[1:-1])) + 1
    if not power[at] > 0.0:
        return None
    return 2.0 * np.pi * between_bins(power, at) / length


def _solve(
    columns: tuple[FloatArray, ...], weighted: FloatArray, root: FloatArray, *, offset_at: int | None = None
) -> FloatArray:
    """Weighted least squares on the columns and a constant, by normal equations on columns scaled to one length.

    The constant's coefficient comes last, or at place `offset_at`.
    """
    place = len(columns) if offset_at is None else offset_at
    table = [column * root for column in columns]
    table.insert(place, root)
    matrix = np.array(table)
    length = np.sqrt(np.einsum("ij,ij->i", matrix, matrix))
    length[length == 0.0] = 1.0
    matrix /= length[:, None]
    normal = np.einsum("ij,kj->ik", matrix, matrix)
    right = np.einsum("ij,j->i", matrix, weighted)
    return np.asarray(np.linalg.lstsq(normal, right, rcond=None)[0] / length)
