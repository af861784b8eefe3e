"""Linear prediction: what rings on follows from what came before, a new stroke does not.

A predictor is fitted to a stretch of samples and applied to those that follow; the error stays small while strings, hum
and hiss go on as before, and jumps where something begins.

Source: autocorrelation method and Levinson's recursion, Makhoul, Proc. IEEE 63 (1975) 561 (from memory); the recursion
is held against scipy.linalg.solve_toeplitz in tests/unit/measure/test_prediction.py.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.linalg import solve_toeplitz

from coilbench_worker.measure.source import FloatArray

WHITENING = 1e-7


def error_filters(history: NDArray[Any], order: int) -> FloatArray:
    """Prediction-error filters fitted to windowed stretches, one a row.

    Parameters
    ----------
    history : shape (stretches, n), n > order; the stretches the filters are fitted to, Hann-windowed here
    order : >= 1, number of past samples that predict the next

    Returns
    -------
    shape (stretches, order + 1); the first coefficient is 1. A silent stretch gives the filter that passes all.
    """
    length = history.shape[1]
    window = np.hanning(length + 2)[1:-1].astype(history.dtype)
    size = fft.next_fast_len(length + order, real=True)
    spectrum = fft.rfft(history.astype(np.float64) * window, size, axis=1)
    correlation = fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=1)[:, : order + 1]
    correlation[:, 0] = correlation[:, 0] * (1.0 + WHITENING) + 1e-30
    if len(correlation) == 1:
        return np.concatenate(([1.0], solve_toeplitz(correlation[0, :-1], -correlation[0, 1:])))[None, :]
    return levinson(correlation)


def levinson(correlation: FloatArray) -> FloatArray:
    """Prediction-error filters from autocorrelations, shape (stretches, order + 1) both, by Levinson's recursion."""
    count, size = correlation.shape
    rows = np.ascontiguousarray(correlation.T)
    filters = np.zeros((size, count))
    filters[0] = 1.0
    error = rows[0].copy()
    for step in range(1, size):
        reflection = np.einsum("ij,ij->j", filters[:step], rows[step:0:-1])
        reflection /= -error
        np.minimum(np.maximum(reflection, -1.0, out=reflection), 1.0, out=reflection)
        filters[1 : step + 1] += reflection * filters[step - 1 :: -1][:step]
        error *= np.maximum(1.0 - reflection**2, 1e-12)
    return np.ascontiguousarray(filters.T)


def filtered(samples: NDArray[Any], filters: FloatArray, response: FloatArray | None = None) -> NDArray[Any]:
    """Each stretch through its own filter; the first `order` samples of a stretch are its past and are not given back.

    Parameters
    ----------
    samples : shape (stretches, order + n)
    filters : shape (stretches, order + 1)
    response : shape (responses, bins), gains from 0 Hz to half the rate: each result goes through all of them as well

    Returns
    -------
    shape (stretches, n), or (responses, stretches, n); of the samples' type
    """
    order = filters.shape[1] - 1
    size = fft.next_fast_len(samples.shape[1] + order, real=True)
    product = fft.rfft(samples, size, axis=1) * fft.rfft(filters.astype(samples.dtype), size, axis=1)
    if response is not None:
        bins = np.linspace(0.0, response.shape[1] - 1.0, product.shape[1])
        gains = np.stack([np.interp(bins, np.arange(response.shape[1]), each) for each in response])
        product = product * gains[:, None, :].astype(samples.dtype)
    result: NDArray[Any] = fft.irfft(product, size, axis=-1)[..., order : samples.shape[1]]
    return result
