"""A channel at about 16 kHz, block by block: enough for seeing where strums begin, at a third of the work."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn

from coilbench_worker.measure.source import FloatArray

COARSE_RATE_HZ = 16_000
TAPS_PER_STEP = 8

Float32Array = NDArray[np.float32]


class Decimator:
    """Feed consecutive blocks of one channel; every `factor`-th sample of the low-passed channel comes back, without
    delay.

    The last `factor * 4` samples of the file stay inside.
    """

    def __init__(self, rate_hz: int) -> None:
        self.factor = max(round(rate_hz / COARSE_RATE_HZ), 1)
        self._filter = _low_pass(self.factor)
        self._rest = np.zeros(self._filter.size // 2, dtype=np.float32)

    def feed(self, block: FloatArray) -> Float32Array:
        """The decimated samples that the block completes, shape (m,)."""
        if self.factor == 1:
            return block.astype(np.float32)
        joined = np.concatenate((self._rest, block.astype(np.float32)))
        taps = self._filter.size
        count = max((joined.size - taps) // self.factor + 1, 0)
        self._rest = joined[count * self.factor :]
        if count == 0:
            return np.zeros(0, dtype=np.float32)
        whole = upfirdn(self._filter, joined[: (count - 1) * self.factor + taps], 1, 1) if taps == 1 else None
        if whole is None:
            offset = (taps - 1) % self.factor
            lead = np.zeros(self.factor - offset if offset else 0, dtype=np.float32)
            padded = np.concatenate((lead, joined[: (count - 1) * self.factor + taps]))
            first = (taps - 1 + lead.size) // self.factor
            whole = upfirdn(self._filter, padded, 1, self.factor)[first : first + count]
        return np.asarray(whole, dtype=np.float32)


@lru_cache(maxsize=16)
def _low_pass(factor: int) -> Float32Array:
    return np.asarray(firwin(TAPS_PER_STEP * factor + 1, 0.9 / factor, window=("kaiser", 6.0)), dtype=np.float32)
