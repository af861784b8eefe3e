"""The noise of a take, from its quiet stretches: level, A-weighted level, mains hum, and the noise in each band.

Stretches are fed one after another; kept are sums only: averaged periodograms (Hann window, 1 s, half overlapped, 1 Hz
bins). A stretch shorter than 1 s gives one periodogram over its own length, padded to the same bins.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import fft
from scipy.signal.windows import hann

from coilbench_worker.measure.bands import (
    BALANCE,
    OCTAVES,
    THIRDS,
    balance_measurable,
    balance_weights,
    bin_frequencies_hz,
)
from coilbench_worker.measure.hum import Hum, mains_hum
from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.spectrum import BandEnergies, energies_of_bins
from coilbench_worker.measure.weighting import a_weighting_power

FRAME_S = 1.0
SHORTEST_S = 0.05
SHORTEST_FOR_HUM_S = 0.5
ROUNDING = 1e-24
"""Power re the offset's that rounding alone may leave of a constant."""

NOTHING = "no quiet stretch of 50 ms or more was found outside the strums"
DIGITAL_SILENCE = "the quiet stretches are digital silence"


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of a take; levels in dBFS (plain RMS), None with an entry in `reasons` by field name.

    `power` is the mean square about the mean, full scale = 1.0 (0 when nothing is known); `dc_offset` that mean;
    `band_power` the mean square in bass, middle and treble, `bands` that in every octave and third (None when nothing
    is known); `hum_hz` 50 or 60 when hum was found, None when it was not.
    """

    duration_s: float
    power: float
    dc_offset: float | None
    noise_dbfs: float | None
    noise_dba_dbfs: float | None
    hum_hz: int | None
    hum_dbfs: float | None
    band_power: dict[str, float | None]
    bands: BandEnergies | None = None
    reasons: dict[str, str] = field(default_factory=dict)


def with_rounding(noise: Noise, integer_bits: int | None, rate_hz: float) -> Noise:
    """The noise that a ringing strum lies in: at least that of rounding to integers, which zeros around it don't show.

    Parameters
    ----------
    noise : noise of the quiet stretches
    integer_bits : word length of the samples, None for floating point (then nothing is added)
    rate_hz : > 0, Hz

    Returns
    -------
    Noise : `power` and `band_power` at least a twelfth of a squared step, spread evenly to half the sample rate (-101
        dBFS in 16 bits); the rest as it was

    Source: Bennett, Bell Syst. Tech. J. 27 (1948) 446 (from memory); the level in tests/unit/measure/test_rounding.py.
    """
    if integer_bits is None:
        return noise
    rounding = 4.0 ** (1 - integer_bits) / 12.0
    bands = dict(noise.band_power)
    for part, (first, last) in BALANCE.items():
        if balance_measurable(part, rate_hz):
            width_hz = OCTAVES[last - 1].high_hz - OCTAVES[first].low_hz
            bands[part] = max(bands[part] or 0.0, rounding * width_hz / (rate_hz / 2.0))
    density = rounding / (rate_hz / 2.0)
    return replace(noise, power=max(noise.power, rounding), band_power=bands, bands=_at_least(noise.bands, density))


def _at_least(bands: BandEnergies | None, density: float) -> BandEnergies:
    """Noise of bands, at least that of an even density (mean square per Hz)."""
    octaves, thirds = (tuple(density * (band.high_hz - band.low_hz) for band in part) for part in (OCTAVES, THIRDS))
    low_hz, high_hz = OCTAVES[0].low_hz, OCTAVES[-1].high_hz
    even = BandEnergies(octaves, thirds, density * (high_hz - low_hz), density * (high_hz**2 - low_hz**2) / 2.0)
    if bands is None:
        return even
    return BandEnergies(
        tuple(map(max, bands.octaves, even.octaves)),
        tuple(map(max, bands.thirds, even.thirds)),
        max(bands.within, even.within),
        max(bands.moment, even.moment),
    )


class QuietStretches:
    """Averages what the quiet stretches of one channel hold; memory does not grow with their number or length."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._frame = max(round(FRAME_S * rate_hz), 16)
        self._length = int(fft.next_fast_len(self._frame, real=True))
        self._window = hann(self._frame, sym=False)
        self._count, self._mean, self._squares = 0, 0.0, 0.0
        self._whole = _Periodograms(self._length)
        self._half = _Periodograms(self._length)
        self._short = _Periodograms(self._length)
        self._shortest_half_s = FRAME_S

    def feed(self, samples: FloatArray) -> None:
        """Take one quiet stretch: shape (n,), full scale = 1.0; one below 50 ms is passed over."""
        size = samples.size
        if size < SHORTEST_S * self._rate_hz:
            return
        self._add_power(samples)
        if size >= self._frame:
            for start in range(0, size - self._frame + 1, max(self._frame // 2, 1)):
                self._whole.add(samples[start : start + self._frame], self._window)
        elif size >= SHORTEST_FOR_HUM_S * self._rate_hz:
            self._half.add(samples, hann(size, sym=False))
            self._shortest_half_s = min(self._shortest_half_s, size / self._rate_hz)
        else:
            self._short.add(samples, hann(size, sym=False))

    def noise(self) -> Noise:
        """What the stretches held, taken together."""
        if self._count == 0:
            return _unknown(0.0, None, NOTHING)
        mean = self._mean
        power = self._squares / self._count
        duration_s = self._count / self._rate_hz
        spectrum = _average((self._whole, self._half, self._short))
        if power <= ROUNDING * mean * mean or spectrum is None or float(spectrum.sum()) <= 0.0:
            return _unknown(duration_s, mean, DIGITAL_SILENCE)
        frequency_hz = bin_frequencies_hz(self._rate_hz, self._length)
        hum = self._hum()
        weights = balance_weights(self._rate_hz, self._length)
        return Noise(
            duration_s=duration_s,
            power=power,
            dc_offset=mean,
            noise_dbfs=power_db(power),
            noise_dba_dbfs=power_db(float(spectrum @ a_weighting_power(frequency_hz))),
            hum_hz=hum.mains_hz,
            hum_dbfs=hum.dbfs,
            band_power={
                part: float(weights[row] @ spectrum) if balance_measurable(part, self._rate_hz) else None
                for row, part in enumerate(BALANCE)
            },
            bands=energies_of_bins(spectrum.astype(np.float32), self._rate_hz, self._length),
            reasons={} if hum.reason is None else {"hum_hz": hum.reason, "hum_dbfs": hum.reason},
        )

    def _add_power(self, samples: FloatArray) -> None:
        """Keep mean and squares about the mean, without losing small noise on a large offset."""
        mean = float(samples.mean())
        deviation = samples - mean
        total = self._count + samples.size
        shift = mean - self._mean
        self._squares += float(np.dot(deviation, deviation)) + shift * shift * self._count * samples.size / total
        self._mean += shift * samples.size / total
        self._count = total

    def _hum(self) -> Hum:
        """Hum in the whole frames, else in the stretches of half a second and more."""
        source, shortest_s = (self._whole, FRAME_S) if self._whole.frames else (self._half, self._shortest_half_s)
        spectrum = source.mean()
        if spectrum is None:
            return Hum(None, None, "hum needs a quiet stretch of 0.5 s or more")
        return mains_hum(
            spectrum,
            self._rate_hz / self._length,
            least_power=source.least,
            frames=source.frames,
            window_s=shortest_s,
        )


class _Periodograms:
    """Sum of periodograms in mean square per bin, weighted by the length of their window, and the least of them."""

    def __init__(self, length: int) -> None:
        self._length = length
        self._sum: FloatArray | None = None
        self.weight = 0.0
        self.frames = 0
        self.least: FloatArray | None = None

    def add(self, samples: FloatArray, window: FloatArray) -> None:
        spectrum = fft.rfft((samples - samples.mean()) * window, self._length)
        power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (self._length * float(np.dot(window, window))))
        power[0] /= 2.0
        if self._length % 2 == 0:
            power[-1] /= 2.0
        weighted = power * samples.size
        self._sum = weighted if self._sum is None else self._sum + weighted
        self.least = power if self.least is None else np.minimum(self.least, power)
        self.weight += samples.size
        self.frames += 1

    def mean(self) -> FloatArray | None:
        return None if self._sum is None else self._sum / self.weight


def _average(parts: tuple[_Periodograms, ...]) -> FloatArray | None:
    known = [(mean, part.weight) for part in parts if (mean := part.mean()) is not None]
    if not known:
        return None
    total = sum(weight for _, weight in known)
    average: FloatArray = np.sum([mean * (weight / total) for mean, weight in known], axis=0)
    return average


def _unknown(duration_s: float, dc_offset: float | None, reason: str) -> Noise:
    silent = 0.0 if reason == DIGITAL_SILENCE else None
    return Noise(
        duration_s=duration_s,
        power=0.0,
        dc_offset=dc_offset,
        noise_dbfs=None,
        noise_dba_dbfs=None,
        hum_hz=None,
        hum_dbfs=None,
        band_power=dict.fromkeys(BALANCE, silent),
        reasons=dict.fromkeys(("noise_dbfs", "noise_dba_dbfs", "hum_hz", "hum_dbfs"), reason),
    )
