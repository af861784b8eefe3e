"""What hisses above the strings: the level between 10 and 20 kHz, in short pieces through the whole recording.

Pickup, cable and input let little of the strings through up there, and that little is gone first; what stays is noise.
"""

from dataclasses import dataclass, field
from functools import lru_cache
from math import log2

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from coilbench_worker.measure.levels import SMALLEST
from coilbench_worker.measure.source import FloatArray

LOW_HZ, HIGH_HZ = 10_000.0, 20_000.0
USABLE_SHARE = 0.45
"""Of the sample rate: above, converters let less through."""
LEAST_WIDTH_HZ = 2000.0
"""In a narrower band a piece of hiss scatters by more than 1.9 dB (4.34 over the root of bandwidth times length)."""
PIECE_S, STEP_S = 0.0027, 0.032
"""A twelfth of the recording is looked at: hiss is the same beside it."""


@dataclass(frozen=True, slots=True)
class HissCourse:
    """`power`, shape (n,): mean square between 10 and 20 kHz in a piece of 2.7 ms each `step_s` (s from the start of
    the file), full scale = 1.0; one piece scatters by about 1 dB. `floor`: what rounding alone may give, or less.
    """

    power: FloatArray
    step_s: float
    floor: float


@dataclass(slots=True)
class Hiss:
    """Feed consecutive blocks of one channel, then ask for the course.

    `integer_bits` is the file's word length, None for floating point.
    """

    rate_hz: int
    integer_bits: int | None
    _begun: FloatArray = field(default_factory=lambda: np.zeros(0))
    _wait: int = 0
    _power: list[FloatArray] = field(default_factory=list)

    def feed(self, block: FloatArray) -> None:
        """Take the next block, shape (n,)."""
        if self._width_hz() < LEAST_WIDTH_HZ:
            return
        length, step = self._length(), round(STEP_S * self.rate_hz)
        if self._begun.size:
            piece = np.concatenate((self._begun, block[: length - self._begun.size]))
            self._begun = piece[: piece.size % length]
            if piece.size == length:
                self._power.append(self._band_power(piece[None, :]))
        count = max((block.size - self._wait - length) // step + 1, 0)
        if count:
            pieces = np.lib.stride_tricks.sliding_window_view(block[self._wait :], length)[::step][:count]
            self._power.append(self._band_power(pieces))
        self._wait += count * step - block.size
        if self._wait < 0:
            self._begun = block[self._wait :].copy()
            self._wait += step

    def course(self) -> HissCourse | None:
        """The course until now; None where the sample rate leaves less than 2 kHz of the band."""
        if self._width_hz() < LEAST_WIDTH_HZ:
            return None
        power = np.concatenate(self._power) if self._power else np.zeros(0)
        floor = SMALLEST
        if self.integer_bits is not None:  # steps of q add q^2 / 12 up to half the rate; dither adds twice that
            steps = 2.0 ** (1 - self.integer_bits)
            floor = max(floor, 3.0 * steps * steps / 12.0 * self._width_hz() / (self.rate_hz / 2.0))
        return HissCourse(power, round(STEP_S * self.rate_hz) / self.rate_hz, floor)

    def _width_hz(self) -> float:
        return min(HIGH_HZ, USABLE_SHARE * self.rate_hz) - LOW_HZ

    def _length(self) -> int:
        return int(2 ** round(log2(PIECE_S * self.rate_hz)))

    def _band_power(self, pieces: FloatArray) -> FloatArray:
        length = self._length()
        first, last = (round(hertz * length / self.rate_hz) for hertz in (LOW_HZ, LOW_HZ + self._width_hz()))
        window, scale = _window(length)
        spectra = fft.rfft(pieces.astype(np.float32) * window, axis=1)[:, first:last]
        return np.asarray(np.einsum("ij,ij->i", spectra, spectra.conj()).real * scale, dtype=np.float64)


@lru_cache(maxsize=8)
def _window(length: int) -> tuple[NDArray[np.float32], float]:
    """Blackman window, and what turns |X|^2 into mean square."""
    window = np.blackman(length + 1)[:-1]
    return window.astype(np.float32), 2.0 / (length * float(np.sum(np.square(window))))
