"""Decay of bass, middle and treble, from one short-time transform of the strum.

A Hann window of about 85 ms slides by half its length; the energy of each position in a band (class 1 weights
on the bins) takes the place of the cells of `decay`. A sliding window turns an exponential into the same exponential,
so the slope is not bent; a fall faster than about 250 dB/s is over before it can be followed.
"""

from functools import lru_cache
from math import log2

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.signal.windows import hann

from coilbench_worker.measure.bands import BALANCE, balance_measurable, balance_weights
from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.decay import Decay, decay_of_cells
from coilbench_worker.measure.source import FloatArray

WINDOW_S = 0.085
WINDOWS_NEEDED = 4
CHUNK = 32

RATE_TOO_LOW = "the sample rate is too low for this band (upper edge 11.2 kHz, 0.45 of the rate)"
TOO_SHORT = "the strum is too short for a decay by band"
NO_NOISE = "the noise in this band is not known"

Float32Array = NDArray[np.float32]


def band_decay(
    samples: FloatArray,
    rate_hz: float,
    *,
    noise_power: dict[str, float | None] | None = None,
    steepens_s: float | None = None,
) -> dict[str, Decay]:
    """Decay of bass, middle and treble.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, from the onset to the strum's end
    rate_hz : > 0, Hz
    noise_power : mean square of the noise in each band, full scale = 1.0 (`Noise.band_power`); None = no noise at all
    steepens_s : from then on the strum does not ring freely, s from the onset (`steepening`)

    Returns
    -------
    Decay by "bass", "middle", "treble"; None with `reason` as in `energy_decay`, for a strum shorter than 0.15 s, and
    for treble at sample rates below 24.9 kHz

    Raises
    ------
    ValueError : not finite
    """
    course = BandCourse(rate_hz)
    course.feed(samples)
    return course.decays(noise_power=noise_power, steepens_s=steepens_s)


def band_powers(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Mean square in bass, middle and treble at every position of the window, full scale = 1.0.

    Returns
    -------
    shape (count, 3), entry j over the window that begins at sample j * window_length / 2
    """
    course = BandCourse(rate_hz)
    course.feed(samples)
    return course.powers()


class BandCourse:
    """Powers in bass, middle and treble of samples that come in blocks, and the decays that follow from them."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._length = window_length(rate_hz)
        self._hop = self._length // 2
        self._rest: FloatArray = np.zeros(0)
        self._powers: list[FloatArray] = []

    def feed(self, samples: FloatArray) -> None:
        """Take the next samples: shape (n,), any n, full scale = 1.0; ValueError when they are not finite."""
        joined = np.concatenate((self._rest, samples)) if self._rest.size else samples
        count = max((joined.size - self._length) // self._hop + 1, 0)
        if count:
            powers = self._of_rows(joined)
            if not np.isfinite(powers).all():
                raise ValueError("samples are not finite (NaN or infinity), or too large to square")
            self._powers.append(powers)
        self._rest = joined[count * self._hop :].copy()

    def powers(self) -> FloatArray:
        """`band_powers` of all samples so far."""
        return np.concatenate(self._powers) if self._powers else np.zeros((0, len(BALANCE)))

    def decays(
        self, *, noise_power: dict[str, float | None] | None = None, steepens_s: float | None = None
    ) -> dict[str, Decay]:
        """`band_decay` of all samples so far."""
        powers = self.powers()
        if powers.shape[0] < WINDOWS_NEEDED:
            return {part: Decay(None, TOO_SHORT) for part in BALANCE}
        hop_s = self._hop / self._rate_hz
        # the window that holds the instant is the first that is not left alone by it
        steepens = None if steepens_s is None else max(int((steepens_s - self._length / self._rate_hz) / hop_s) + 1, 1)
        decays = {}
        for column, part in enumerate(BALANCE):
            noise = 0.0 if noise_power is None else noise_power[part]
            if not balance_measurable(part, self._rate_hz):
                decays[part] = Decay(None, RATE_TOO_LOW)
            elif noise is None:
                decays[part] = Decay(None, NO_NOISE)
            else:
                course = Cells(powers[:, column] * self._hop, hop_s, self._hop)
                decays[part] = decay_of_cells(course, noise_power=noise, steepens=steepens)
        return decays

    def _of_rows(self, samples: FloatArray) -> FloatArray:
        window, weights = _window(self._length), _weights(self._rate_hz, self._length)
        rows = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), self._length)[:: self._hop]
        powers = np.empty((rows.shape[0], len(BALANCE)))
        for start in range(0, rows.shape[0], CHUNK):
            chunk = rows[start : start + CHUNK] * window
            spectra = fft.rfft(chunk, axis=1, overwrite_x=True)[:, : weights.shape[0]]
            powers[start : start + CHUNK] = (spectra.real**2 + spectra.imag**2) @ weights
        return powers


def window_length(rate_hz: float) -> int:
    """Samples in the window: the power of two nearest to 85 ms."""
    return int(2 ** max(round(log2(WINDOW_S * rate_hz)), 4))


@lru_cache(maxsize=8)
def _window(length: int) -> Float32Array:
    shape: Float32Array = hann(length, sym=False).astype(np.float32)
    return shape


@lru_cache(maxsize=8)
def _weights(rate_hz: float, length: int) -> Float32Array:
    """Class 1 weights that turn |X|^2 into mean square, shape (bins up to about 20 kHz, 3); what lies above adds <
    1e-4.
    """
    weights = balance_weights(rate_hz, length).T * (2.0 / (length * float(np.sum(_window(length) ** 2))))
    bins = min(weights.shape[0], round(20_000.0 * length / rate_hz) + 1)
    return np.ascontiguousarray(weights[:bins], dtype=np.float32)
