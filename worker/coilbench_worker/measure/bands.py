"""Octave and third-octave bands as energy responses on the bins of a transform.

Source: IEC 61260-1:2014: base-ten mid-bands and edges (5.2 to 5.5), class 1 limits of relative attenuation (Table 1),
through three open transcriptions. A Butterworth band-pass (low-pass prototype of order 6, -3 dB points on the band
edges) stays inside class 1; here its |H|^2 is evaluated at the bins instead of being run as a filter (Parseval). As
|H|^2 is the analogue response, no bilinear warping narrows the bands near half the sample rate; beyond half the sample
rate there are no bins. It lets white noise through as if it were 1.0115 times as wide as its edges (pi/12 /
sin(pi/12), 0.05 dB).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.source import FloatArray

OCTAVE_RATIO = 10.0**0.3
LEAST_RESPONSE = 1e-20
"""Below -200 dB a response counts as 0: single precision ends not far from there."""
USABLE_SHARE = 0.45
"""Bands whose upper edge passes this share of the sample rate are not measured."""

Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Band:
    """One band: the nominal mid-band that names it, exact mid-band and edges, Hz."""

    nominal: str
    mid_hz: float
    low_hz: float
    high_hz: float


def _bands(nominals: tuple[str, ...], first: int, per_octave: int) -> tuple[Band, ...]:
    half = OCTAVE_RATIO ** (0.5 / per_octave)
    mids = [1000.0 * OCTAVE_RATIO ** ((first + step) / per_octave) for step in range(len(nominals))]
    return tuple(Band(name, mid, mid / half, mid * half) for name, mid in zip(nominals, mids, strict=True))


OCTAVES = _bands(("63", "125", "250", "500", "1000", "2000", "4000", "8000"), -4, 1)
THIRDS = _bands(
    (
        *("50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500", "630", "800", "1000", "1250"),
        *("1600", "2000", "2500", "3150", "4000", "5000", "6300", "8000", "10000", "12500", "16000"),
    ),
    -13,
    3,
)
BALANCE = {"bass": (0, 3), "middle": (3, 6), "treble": (6, 8)}
"""Bass, middle and treble as slices of OCTAVES: 63-250 Hz, 500 Hz-2 kHz, 4-8 kHz."""


def measurable(band: Band, rate_hz: float) -> bool:
    """Whether the band's upper edge lies within 0.45 of the sample rate."""
    return band.high_hz <= USABLE_SHARE * rate_hz


def band_response(band: Band, frequency_hz: FloatArray) -> FloatArray:
    """Energy response of the band's class 1 filter: 1 at mid-band, 1/2 at the edges, 0 at 0 Hz and below -200 dB.

    Parameters
    ----------
    band : one of OCTAVES or THIRDS
    frequency_hz : shape (n,), >= 0, Hz
    """
    response = np.zeros(frequency_hz.shape)
    above = frequency_hz > 0.0
    ratio = frequency_hz[above] / band.mid_hz
    width = band.high_hz / band.mid_hz - band.low_hz / band.mid_hz
    squared = ((ratio - 1.0 / ratio) / width) ** 2
    response[above] = 1.0 / (1.0 + (squared * squared * squared) ** 2)
    response[response < LEAST_RESPONSE] = 0.0
    return response


@lru_cache(maxsize=8)
def band_weights(rate_hz: float, transform_length: int) -> Float32Array:
    """Responses of all octaves, then all thirds, on the bins of a real transform; rows of bands past 0.45 fs are 0.

    Returns
    -------
    shape (8 + 26, transform_length // 2 + 1), read-only
    """
    frequency_hz = bin_frequencies_hz(rate_hz, transform_length)
    rows = [
        band_response(band, frequency_hz) if measurable(band, rate_hz) else np.zeros(frequency_hz.size)
        for band in (*OCTAVES, *THIRDS)
    ]
    weights = np.array(rows, dtype=np.float32)
    weights.flags.writeable = False
    return weights


@lru_cache(maxsize=8)
def balance_weights(rate_hz: float, transform_length: int) -> FloatArray:
    """Responses of bass, middle and treble (sums of their octaves) on the bins of a real transform.

    Returns
    -------
    shape (3, transform_length // 2 + 1), read-only; treble leaves out what lies past 0.45 fs: see `balance_measurable`
    """
    frequency_hz = bin_frequencies_hz(rate_hz, transform_length)
    rows = [
        np.sum([band_response(band, frequency_hz) for band in OCTAVES[first:last]], axis=0)
        for first, last in BALANCE.values()
    ]
    weights = np.array(rows)
    weights.flags.writeable = False
    return weights


def balance_measurable(part: str, rate_hz: float) -> bool:
    """Whether all octaves of "bass", "middle" or "treble" can be measured at this sample rate."""
    first, last = BALANCE[part]
    return all(measurable(band, rate_hz) for band in OCTAVES[first:last])


def bin_frequencies_hz(rate_hz: float, transform_length: int) -> FloatArray:
    """Frequencies of the bins of a real transform, Hz, shape (transform_length // 2 + 1,)."""
    frequencies: FloatArray = np.fft.rfftfreq(transform_length, 1.0 / rate_hz).astype(np.float64)
    return frequencies
