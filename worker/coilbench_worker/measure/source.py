"""Where samples come from: one recording, read in blocks or by segment, so that memory stays bounded whatever its
length.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

BLOCK_FRAMES = 65_536


class SampleSource(Protocol):
    """One recording with all its channels; full scale = 1.0."""

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""
        ...

    @property
    def channels(self) -> int:
        """Number of channels, >= 1."""
        ...

    @property
    def frames(self) -> int:
        """Samples per channel that are really there."""
        ...

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks of shape (n, channels), n <= BLOCK_FRAMES, from the first frame to the last."""
        ...

    def segment(self, start: int, stop: int) -> FloatArray:
        """Frames start..stop of shape (stop - start, channels); 0 <= start <= stop <= frames."""
        ...


@dataclass(frozen=True, slots=True)
class RecordingFacts:
    """What the file says of itself, apart from its samples.

    `integer_bits` is the word length of integer samples, None for floating point. `declared_frames` is None when the
    header
    does not say. `missing_bytes` counts the audio bytes that the header promises and the file lacks.
    """

    encoding: str
    container: str
    integer_bits: int | None
    declared_frames: int | None = None
    truncated: bool = False
    missing_bytes: int = 0


FLOAT_FACTS = RecordingFacts(encoding="float64", container="wav", integer_bits=None)


@dataclass(frozen=True, slots=True)
class ArraySource:
    """A source over samples that are in memory: shape (n,) for one channel or (n, channels)."""

    samples: FloatArray
    rate_hz: int

    @property
    def channels(self) -> int:
        """Number of channels."""
        return 1 if self.samples.ndim == 1 else int(self.samples.shape[1])

    @property
    def frames(self) -> int:
        """Samples per channel."""
        return int(self.samples.shape[0])

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive views of at most BLOCK_FRAMES frames."""
        for start in range(0, self.frames, BLOCK_FRAMES):
            yield self.segment(start, min(start + BLOCK_FRAMES, self.frames))

    def segment(self, start: int, stop: int) -> FloatArray:
        """A view of frames start..stop, shape (stop - start, channels)."""
        return self.samples[start:stop].reshape(stop - start, self.channels)


@dataclass(frozen=True, slots=True)
class OneChannel:
    """One channel of a source: arrays of shape (n,)."""

    source: SampleSource
    index: int

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""
        return self.source.rate_hz

    @property
    def frames(self) -> int:
        """Samples that are there."""
        return self.source.frames

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks, shape (n,)."""
        for block in self.source.blocks():
            yield np.ascontiguousarray(block[:, self.index])

    def segment(self, start: int, stop: int) -> FloatArray:
        """Samples start..stop, clipped to the recording, shape (n,)."""
        start, stop = max(start, 0), min(stop, self.frames)
        if stop <= start:
            return np.zeros(0)
        return np.ascontiguousarray(self.source.segment(start, stop)[:, self.index])
