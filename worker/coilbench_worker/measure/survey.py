"""One pass over a channel: the coarse course of its energy, in memory that hardly grows with length.

A frame every 8 ms (about 20 MB for an hour). Strums are looked for in the bands and in what can't be predicted; ends
and quiet stretches in the levels; only then are the samples of single strums read again.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from coilbench_worker.measure.decimation import Decimator
from coilbench_worker.measure.loudness import IntegratedLoudness
from coilbench_worker.measure.news import COARSE_RATE_HZ, LOW_FACTOR, News
from coilbench_worker.measure.source import FloatArray, OneChannel
from coilbench_worker.measure.windows import Windows

HOP_S = 0.008
WINDOW_HOPS = 4
BAND_HOPS = 2
OFFSET_HOPS = 5
BAND_EDGES_HZ = (90.0, 180.0, 355.0, 710.0, 1400.0, 2800.0, 4600.0)
BANDS = len(BAND_EDGES_HZ) - 1

Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Survey:
    """The course of one channel, a frame each `hop` samples (8 ms).

    `power`, shape (frames,): mean square of the frame about the channel's offset, full scale = 1.0. `silent`, shape
    (frames,): exact zeros throughout. `bands`, shape (frames / 2, BANDS): power by band of a Hann window of 32 ms that
    begins with the frame. `news`, shape (frames,): mean square of what below 1.35 kHz could not be predicted from the
    192 ms before; `string_news`, shape (frames,): the same in the range of the strings' strong partials.
    `mean`: the channel's mean; `offset`: its direct current, which strums that swing to one side do not move.
    """

    rate_hz: int
    hop: int
    power: FloatArray
    silent: NDArray[np.bool_]
    bands: Float32Array
    news: Float32Array
    string_news: Float32Array
    mean: float
    loudness_integrated_lufs: float | None
    offset: float = 0.0

    @property
    def frames(self) -> int:
        """Number of frames; the last may be shorter than a hop."""
        return int(self.power.shape[0])

    def bands_between(self, start: int, stop: int) -> Float32Array:
        """Band powers of the windows that begin in frames start..stop, shape (n, BANDS); none before the file."""
        return self.bands[max(-(-start // BAND_HOPS), 0) : max(-(-stop // BAND_HOPS), 0)]

    def count(self, seconds: float) -> int:
        """Number of frames nearest to a length of time, at least 1."""
        return max(round(seconds * self.rate_hz / self.hop), 1)


def survey(channel: OneChannel, watch: Callable[[FloatArray], None] | None = None) -> Survey:
    """Go once through the channel.

    Parameters
    ----------
    channel : finite samples, at least one
    watch : shown every block as it passes, so that one pass serves others too
    """
    loudness = IntegratedLoudness(channel.rate_hz)
    decimator = Decimator(channel.rate_hz, COARSE_RATE_HZ)
    coarse_rate_hz = channel.rate_hz / decimator.factor
    coarse_hop = max(round(coarse_rate_hz * HOP_S / LOW_FACTOR), 1) * LOW_FACTOR
    hop = coarse_hop * decimator.factor
    levels, bands, news = _Levels(hop), _Bands(coarse_rate_hz, coarse_hop), News(coarse_rate_hz, coarse_hop)
    for block in channel.blocks():
        if watch is not None:
            watch(block)
        loudness.feed(block)
        levels.feed(block)
        coarse = decimator.feed(block)
        bands.feed(coarse)
        news.feed(coarse)
    power, silent, mean, offset = levels.course()
    frames = power.size
    return Survey(
        channel.rate_hz, hop, power, silent, bands.course(frames), *news.course(frames), mean, loudness.lufs(), offset
    )


class _Levels:
    """Sum and sum of squares of each hop."""

    def __init__(self, hop: int) -> None:
        self._hop = hop
        self._rest = np.zeros(0)
        self._sums: list[FloatArray] = []
        self._squares: list[FloatArray] = []
        self._samples = 0

    def feed(self, block: FloatArray) -> None:
        self._samples += block.size
        joined = np.concatenate((self._rest, block)) if self._rest.size else block
        count = joined.size // self._hop
        cells = joined[: count * self._hop].reshape(count, self._hop)
        self._sums.append(cells.sum(axis=1))
        self._squares.append(np.einsum("ij,ij->i", cells, cells))
        self._rest = joined[count * self._hop :]

    def course(self) -> tuple[FloatArray, NDArray[np.bool_], float, float]:
        """Mean square about the channel's offset of each frame, whether it is all zeros; the channel's mean; offset.

        To be asked once: of an hour each array is 4 MB, so they are used up in place.
        """
        if self._rest.size:
            self._sums.append(np.array([self._rest.sum()]))
            self._squares.append(np.array([self._rest @ self._rest]))
        total, energy = np.concatenate(self._sums), np.concatenate(self._squares)
        self._sums.clear()
        self._squares.clear()
        length = np.full(total.size, float(self._hop))
        if self._rest.size:
            length[-1] = self._rest.size
        mean = float(total.sum() / self._samples)
        offset = _offset(total, length)
        silent = energy == 0.0
        total *= -2.0 * offset
        energy += total
        energy /= length
        energy += offset * offset
        return np.maximum(energy, 0.0, out=energy), silent, mean, offset


def _offset(total: FloatArray, length: FloatArray) -> float:
    """Median of the means of 40 ms (whole periods of 50 Hz): strums that swing to one side do not move it."""
    groups = total.size // OFFSET_HOPS
    if groups == 0:
        return float(total.sum() / length.sum())
    sums, lengths = (part[: groups * OFFSET_HOPS].reshape(groups, OFFSET_HOPS).sum(axis=1) for part in (total, length))
    return float(np.median(sums / lengths))


class _Bands:
    """Band powers of the decimated channel."""

    def __init__(self, rate_hz: float, hop: int) -> None:
        self._rate_hz = rate_hz
        self._windows = Windows(WINDOW_HOPS * hop, BAND_HOPS * hop)
        self._powers: list[Float32Array] = []

    def feed(self, samples: Float32Array) -> None:
        windows = self._windows.feed(samples)
        if windows.shape[0]:
            self._powers.append(_band_power(windows, self._rate_hz))

    def course(self, frames: int) -> Float32Array:
        """Shape (frames / 2, BANDS); windows that reach beyond the file hold the last that does not."""
        count = -(-frames // BAND_HOPS)
        self._powers.append(_band_power(self._windows.rest(count), self._rate_hz))
        bands = np.concatenate(self._powers)[:count]
        self._powers.clear()
        last = max(frames - WINDOW_HOPS - 1, 0) // BAND_HOPS
        bands[last + 1 :] = bands[last]
        return bands


@lru_cache(maxsize=8)
def _band_matrix(window: int, rate_hz: float) -> tuple[Float32Array, Float32Array]:
    """Hann window, and the matrix that sums its bins into bands."""
    hann = np.hanning(window + 1)[:-1]
    hz = np.arange(window // 2 + 1) * rate_hz / window
    edges = np.asarray(BAND_EDGES_HZ)
    matrix = ((hz[:, None] >= edges[:-1]) & (hz[:, None] < edges[1:])) * (2.0 / (window * np.sum(hann**2)))
    return hann.astype(np.float32), matrix.astype(np.float32)


def _band_power(windows: Float32Array, rate_hz: float) -> Float32Array:
    hann, matrix = _band_matrix(windows.shape[1], rate_hz)
    spectrum = fft.rfft(windows * hann, axis=1)
    return np.asarray((spectrum.real**2 + spectrum.imag**2) @ matrix, dtype=np.float32)
