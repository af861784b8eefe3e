"""A channel at a lower rate, block by block: enough for seeing where strums begin, at a fraction of the work."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn

from coilbench_worker.measure.source import FloatArray

TAPS_PER_STEP = 8

Float32Array = NDArray[np.float32]


class Decimator:
    """Feed consecutive blocks of one channel; every `factor`-th sample of the low-passed channel comes back, without
    delay.

    The last `factor * 4` samples of the file stay inside.
    """

    def __init__(self, rate_hz: int, coarse_hz: int) -> None:
        self.factor = max(round(rate_hz / coarse_hz), 1)
        self._filter = _low_pass(self.factor)
        self._rest = np.zeros(self._filter.size // 2, dtype=np.float32)

    def feed(self, block: FloatArray | Float32Array) -> Float32Array:
        """The decimated samples that the block completes, shape (m,)."""
        if self.factor == 1:
            return block.astype(np.float32)
        joined = np.concatenate((self._rest, block.astype(np.float32)))
        taps = self._filter.size
        count = max((joined.size - taps) // self.factor + 1, 0)
        self._rest = joined[count * self.factor :]
        if count == 0:
            return np.zeros(0, dtype=np.float32)
        filtered = upfirdn(self._filter, joined[: (count - 1) * self.factor + taps], 1, self.factor)
        return np.asarray(filtered[TAPS_PER_STEP : TAPS_PER_STEP + count], dtype=np.float32)


@lru_cache(maxsize=16)
def _low_pass(factor: int) -> Float32Array:
    return np.asarray(firwin(TAPS_PER_STEP * factor + 1, 0.9 / factor, window=("kaiser", 6.0)), dtype=np.float32)
