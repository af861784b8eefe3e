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
from coilbench_worker.measure.prediction import error_filters, filtered
from coilbench_worker.measure.source import FloatArray, OneChannel

HOP_S = 0.008
COARSE_RATE_HZ = 12_000
WINDOW_HOPS = 4
BAND_HOPS = 2
OFFSET_HOPS = 5
PREDICT_HOPS = 6
HISTORY_HOPS = 12
ORDER = 32
CHUNK_HOPS = 600
BAND_EDGES_HZ = (90.0, 180.0, 355.0, 710.0, 1400.0, 2800.0, 4600.0)
BANDS = len(BAND_EDGES_HZ) - 1

Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Survey:
    """The course of one channel, a frame each `hop` samples (8 ms).

    `power`, shape (frames,): mean square of the frame about the channel's offset, full scale = 1.0. `silent`, shape
    (frames,): exact zeros throughout. `bands`, shape (frames / 2, BANDS): power by band of a Hann window of 32 ms that
    begins with the frame. `news`, shape (frames,): mean square of what could not be predicted from the 96 ms before.
    `mean`: the channel's mean; `offset`: its direct current, which strums that swing to one side do not move.
    """

    rate_hz: int
    hop: int
    power: FloatArray
    silent: NDArray[np.bool_]
    bands: Float32Array
    news: Float32Array
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
    coarse_hop = max(round(channel.rate_hz / decimator.factor * HOP_S), 1)
    hop = coarse_hop * decimator.factor
    levels = _Levels(hop)
    news = _News(channel.rate_hz / decimator.factor, coarse_hop)
    for block in channel.blocks():
        if watch is not None:
            watch(block)
        loudness.feed(block)
        levels.feed(block)
        news.feed(decimator.feed(block))
    power, silent, mean, offset = levels.course()
    bands, errors = news.course(power.size)
    return Survey(channel.rate_hz, hop, power, silent, bands, errors, mean, loudness.lufs(), offset)


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
        """Mean square about the channel's offset of each frame, whether it is all zeros; the channel's mean; offset."""
        total, energy = np.concatenate(self._sums), np.concatenate(self._squares)
        length = np.full(total.size, float(self._hop))
        if self._rest.size:
            total = np.append(total, self._rest.sum())
            energy = np.append(energy, self._rest @ self._rest)
            length = np.append(length, float(self._rest.size))
        mean = float(total.sum() / self._samples)
        offset = _offset(total, length)
        power = np.maximum(energy - 2.0 * offset * total + offset * offset * length, 0.0) / length
        return power, energy == 0.0, mean, offset


def _offset(total: FloatArray, length: FloatArray) -> float:
    """Median of the means of 40 ms (whole periods of 50 Hz): strums that swing to one side do not move it."""
    groups = total.size // OFFSET_HOPS
    if groups == 0:
        return float(total.sum() / length.sum())
    sums, lengths = (part[: groups * OFFSET_HOPS].reshape(groups, OFFSET_HOPS).sum(axis=1) for part in (total, length))
    return float(np.median(sums / lengths))


class _News:
    """Band powers and prediction errors of the decimated channel, in chunks of some seconds."""

    def __init__(self, rate_hz: float, hop: int) -> None:
        self._rate_hz = rate_hz
        self._hop = hop
        self._past = np.zeros(HISTORY_HOPS * hop, dtype=np.float32)
        self._waiting: list[Float32Array] = []
        self._size = 0
        self._bands: list[Float32Array] = []
        self._errors: list[Float32Array] = []

    def feed(self, samples: Float32Array) -> None:
        self._waiting.append(samples)
        self._size += samples.size
        if self._size >= (CHUNK_HOPS + WINDOW_HOPS) * self._hop:
            self._work(np.concatenate(self._waiting))

    def course(self, frames: int) -> tuple[Float32Array, Float32Array]:
        """Band powers, shape (frames / 2, BANDS), and mean square errors, shape (frames,)."""
        done = sum(part.shape[0] for part in self._errors)
        missing = -(-max(frames - done, 1) // PREDICT_HOPS) * PREDICT_HOPS + WINDOW_HOPS
        rest = np.concatenate(self._waiting) if self._waiting else np.zeros(0, dtype=np.float32)
        padding = max(missing * self._hop - rest.size, 0)
        self._work(np.concatenate((rest, np.zeros(padding, dtype=np.float32))))
        bands, errors = np.concatenate(self._bands), np.concatenate(self._errors)[:frames]
        _hold_end(bands, errors)
        return bands[: -(-frames // BAND_HOPS)], errors

    def _work(self, samples: Float32Array) -> None:
        """Use up whole stretches of six hops, keep what is left for the next time."""
        stretches = (samples.size // self._hop - WINDOW_HOPS) // PREDICT_HOPS
        if stretches <= 0:
            self._waiting, self._size = [samples], samples.size
            return
        used = stretches * PREDICT_HOPS * self._hop
        joined = np.concatenate((self._past, samples))
        self._bands.append(_band_power(samples, stretches * PREDICT_HOPS, self._hop, self._rate_hz))
        self._errors.append(_prediction_error(joined, stretches, self._hop))
        self._past = joined[used : used + HISTORY_HOPS * self._hop]
        self._waiting, self._size = [samples[used:]], samples.size - used


def _hold_end(bands: Float32Array, errors: Float32Array) -> None:
    """The file's end is no event: frames whose window reaches beyond it keep the last value that does not."""
    last = max(errors.size - WINDOW_HOPS - 1, 0)
    bands[last // BAND_HOPS + 1 :] = bands[last // BAND_HOPS]
    errors[last + 1 :] = errors[last]


def _prediction_error(joined: Float32Array, stretches: int, hop: int) -> Float32Array:
    """Mean square error of each hop, predicted from the twelve hops before its stretch, shape (stretches * 6,)."""
    step = PREDICT_HOPS * hop
    history = np.lib.stride_tricks.sliding_window_view(joined, HISTORY_HOPS * hop)[::step][:stretches]
    filters = error_filters(history, ORDER)
    first = HISTORY_HOPS * hop - ORDER
    current = np.lib.stride_tricks.sliding_window_view(joined[first:], ORDER + step)[::step][:stretches]
    error = filtered(current, filters).reshape(stretches * PREDICT_HOPS, hop)
    return np.asarray(np.einsum("ij,ij->i", error, error) / hop, dtype=np.float32)


@lru_cache(maxsize=8)
def _band_matrix(window: int, rate_hz: float) -> tuple[Float32Array, Float32Array]:
    """Hann window, and the matrix that sums its bins into bands."""
    hann = np.hanning(window + 1)[:-1]
    hz = np.arange(window // 2 + 1) * rate_hz / window
    edges = np.asarray(BAND_EDGES_HZ)
    matrix = ((hz[:, None] >= edges[:-1]) & (hz[:, None] < edges[1:])) * (2.0 / (window * np.sum(hann**2)))
    return hann.astype(np.float32), matrix.astype(np.float32)


def _band_power(samples: Float32Array, count: int, hop: int, rate_hz: float) -> Float32Array:
    window = WINDOW_HOPS * hop
    hann, matrix = _band_matrix(window, rate_hz)
    every = BAND_HOPS * hop
    frames = np.lib.stride_tricks.sliding_window_view(samples, window)[::every][: count // BAND_HOPS]
    spectrum = fft.rfft(frames * hann, axis=1)
    return np.asarray((spectrum.real**2 + spectrum.imag**2) @ matrix, dtype=np.float32)
