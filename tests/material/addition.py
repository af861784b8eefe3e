"""Adding short sounds to a take at a level below its strums."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def added(
    samples: FloatArray, rate_hz: int, sounds: Iterable[tuple[float, FloatArray]], *, peak_db: float, reference: float
) -> FloatArray:
    """A copy of `samples`, shape (n,), with each (instant in s, sound of peak 1) added; what reaches past the end is
    cut.

    Parameters
    ----------
    samples : the take, shape (n,), full scale = 1.0
    rate_hz : sample rate, Hz
    sounds : when each begins, and its samples
    peak_db : peak of the sounds, dB re `reference`
    reference : usually the greatest sample of the strums
    """
    result = samples.copy()
    height = reference * 10 ** (peak_db / 20)
    for instant_s, sound in sounds:
        first = round(instant_s * rate_hz)
        part = sound[: max(len(samples) - first, 0)]
        result[first : first + len(part)] += height * part
    return result
