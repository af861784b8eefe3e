"""Windows over a stream of samples: equally long, equally far apart, whatever blocks the samples come in."""

import numpy as np

from coilbench_worker.measure.decimation import Float32Array

BATCH = 64
"""Windows that are handed out together, but for the last of the file: enough to make light of the work around them."""


class Windows:
    """Feed consecutive samples; windows of `length` samples come back, `step` <= `length` apart, in
    batches.
    """

    def __init__(self, length: int, step: int) -> None:
        self._length = length
        self._step = step
        self._waiting: list[Float32Array] = []
        self._size = 0
        self._given = 0

    def feed(self, samples: Float32Array) -> Float32Array:
        """The windows that the samples complete, shape (n, length); none until a batch is full."""
        self._waiting.append(samples)
        self._size += samples.size
        count = (self._size - self._length) // self._step + 1
        return self._take(count if count >= BATCH else 0)

    def rest(self, total: int) -> Float32Array:
        """The windows that are missing of `total`, shape (n, length); beyond the end there is silence."""
        count = max(total - self._given, 0)
        needed = self._length + (count - 1) * self._step
        self._waiting.append(np.zeros(max(needed - self._size, 0), dtype=np.float32))
        self._size = max(self._size, needed)
        return self._take(count)

    def _take(self, count: int) -> Float32Array:
        if count == 0:
            return np.zeros((0, self._length), dtype=np.float32)
        joined = np.concatenate(self._waiting)
        rest = joined[count * self._step :]
        self._waiting, self._size, self._given = [rest], rest.size, self._given + count
        return np.lib.stride_tricks.sliding_window_view(joined, self._length)[:: self._step][:count]
