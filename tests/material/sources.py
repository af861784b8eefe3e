"""Sources of samples for tests: one whose blocks are of any size, one that makes its samples when asked."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.source import BLOCK_FRAMES, FloatArray


@dataclass(frozen=True)
class SplitSource:
    """Samples of shape (n, channels) in blocks whose sizes come round again and again."""

    samples: FloatArray
    rate_hz: int
    sizes: tuple[int, ...]

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def frames(self) -> int:
        """Samples per channel."""
        return int(self.samples.shape[0])

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks."""
        at, turn = 0, 0
        while at < self.frames:
            stop = min(at + self.sizes[turn % len(self.sizes)], self.frames)
            yield self.samples[at:stop]
            at, turn = stop, turn + 1

    def segment(self, start: int, stop: int) -> FloatArray:
        """Frames start..stop."""
        return self.samples[start:stop]


@dataclass(frozen=True)
class RepeatingSource:
    """One stretch of one channel, shape (n,), over and over: a take of any length that is never in memory."""

    stretch: FloatArray
    rate_hz: int
    frames: int
    channels: int = 1

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks, made as they are asked for."""
        for start in range(0, self.frames, BLOCK_FRAMES):
            yield self.segment(start, min(start + BLOCK_FRAMES, self.frames))

    def segment(self, start: int, stop: int) -> FloatArray:
        """Frames start..stop, shape (stop - start, 1)."""
        return self.stretch[np.arange(start, stop) % self.stretch.size][:, None]
