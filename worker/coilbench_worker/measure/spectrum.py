"""Tone of one strum: band levels, balance, centroid and tilt, all from one transform of the level window.

The energy of the window through a band's filter is the sum of |X|^2 |H|^2 (Parseval). The window is padded with zeros
to twice its length: what the filters ring on for then wraps round only where it has died away (at 50 Hz, the narrowest
band, to less than 0.02 dB). The last 5 ms of the window fade out: cutting a sounding string off in
mid-swing would add a click whose treble rivals that of a dark pickup, and which no filter run through the recording
would show.

The energy that the noise of the take is expected to have in the same window is taken off each band. A band that is not
6 dB above it is not told: what would be left is mostly chance (in the narrowest, 50 Hz, half a second holds six
independent samples of noise).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy import fft

from coilbench_worker.measure.bands import (
    BALANCE,
    OCTAVES,
    THIRDS,
    Float32Array,
    band_weights,
    bin_frequencies_hz,
    measurable,
)
from coilbench_worker.measure.levels import ABOVE_NOISE, power_db
from coilbench_worker.measure.source import FloatArray

FADE_S = 0.005
CENTROID_EDGES_HZ = (OCTAVES[0].low_hz, OCTAVES[-1].high_hz)
TILT_FROM = 1
SCALARS = ("bass_db", "middle_db", "treble_db", "centroid_hz", "tilt_db_per_octave")

SILENT = "the level window is silent"
IN_NOISE = "less than 6 dB above the noise in this band"
ALL_IN_NOISE = "all eight octaves together are less than 6 dB above the noise"
CENTROID_IN_NOISE = "noise has more than a quarter of the weight in this mean frequency"
NO_LINE = "not all octaves from 125 Hz to 8 kHz stand 6 dB above the noise"
BAND_RATE_TOO_LOW = "the band's upper edge passes 0.45 of the sample rate"
RATE_TOO_LOW = (
    "the sample rate is too low for the 8 kHz octave (upper edge 11.2 kHz, 0.45 of the rate), so that the total of the "
    "eight octaves is not known; record at 44.1 kHz or more"
)


@dataclass(frozen=True, slots=True)
class Tone:
    """Tone of one strum; levels in dB re the energy of all eight octaves, bands by nominal frequency in Hz.

    Everything is None where that total is unknown; a single band is None where its upper edge passes 0.45 of the sample
    rate or where it is not above the noise. `reasons` says why, by key of the column (`octave_db_63`); `reason` is the
    one of a tone of which nothing is known.
    """

    octave_db: dict[str, float | None]
    third_octave_db: dict[str, float | None]
    bass_db: float | None
    middle_db: float | None
    treble_db: float | None
    centroid_hz: float | None
    tilt_db_per_octave: float | None
    reason: str | None = None
    reasons: dict[str, str] = field(default_factory=dict)


def tone(samples: FloatArray, rate_hz: float, *, noise: "BandEnergies | None" = None) -> Tone:
    """Band levels, balance, centroid and tilt of the level window.

    Parameters
    ----------
    samples : shape (n,), n >= 0.1 s, full scale = 1.0: the level window
    rate_hz : > 0, Hz
    noise : what the noise has in each band, as energy of one sample (mean square, full scale = 1.0); None for none

    Returns
    -------
    Tone : all None for silence and where the sample rate is below 24.9 kHz

    Raises
    ------
    ValueError : not finite, or shorter than 0.1 s

    Source: IEC 61260-1:2014, class 1 bands. Accuracy: tests/standards/test_bands.py.
    """
    if not measurable(OCTAVES[-1], rate_hz):
        return undefined(RATE_TOO_LOW)
    found = band_energies(samples, rate_hz)
    if found.within <= 0.0:
        return undefined(SILENT)
    noise = NO_NOISE if noise is None else noise.times(samples.size)
    octaves = [_Net(*pair) for pair in zip(found.octaves, noise.octaves, strict=True)]
    total = _sum(octaves)
    if not total.told:
        return undefined(ALL_IN_NOISE)
    reasons: dict[str, str] = {}

    def level_db(key: str, part: _Net) -> float | None:
        if not part.told:
            reasons[key] = IN_NOISE
        return power_db(part.energy / total.energy) if part.told else None

    octave_db = {
        band.nominal: level_db(f"octave_db_{band.nominal}", part) for band, part in zip(OCTAVES, octaves, strict=True)
    }
    third_db: dict[str, float | None] = {}
    for band, heard, lost in zip(THIRDS, found.thirds, noise.thirds, strict=True):
        key = f"third_octave_db_{band.nominal}"
        if measurable(band, rate_hz):
            third_db[band.nominal] = level_db(key, _Net(heard, lost))
        else:
            third_db[band.nominal], reasons[key] = None, BAND_RATE_TOO_LOW
    balance = {part: level_db(f"{part}_db", _sum(octaves[first:last])) for part, (first, last) in BALANCE.items()}
    within, moment = _Net(found.within, noise.within), _Net(found.moment, noise.moment)
    centroid_hz = moment.energy / within.energy if within.told and moment.told else None
    if centroid_hz is None:
        reasons["centroid_hz"] = CENTROID_IN_NOISE
    tilt = _tilt([octave_db[band.nominal] for band in OCTAVES[TILT_FROM:]])
    if tilt is None:
        reasons["tilt_db_per_octave"] = NO_LINE
    return Tone(
        octave_db=octave_db,
        third_octave_db=third_db,
        bass_db=balance["bass"],
        middle_db=balance["middle"],
        treble_db=balance["treble"],
        centroid_hz=centroid_hz,
        tilt_db_per_octave=tilt,
        reasons=reasons,
    )


class _Net:
    """An energy without that of the noise, and whether it stands far enough above it to be told."""

    def __init__(self, heard: float, noise: float) -> None:
        self.heard, self.noise = heard, noise
        self.energy = heard - noise
        self.told = heard > 0.0 and heard >= ABOVE_NOISE * noise


def _sum(parts: Sequence[_Net]) -> _Net:
    return _Net(sum(part.heard for part in parts), sum(part.noise for part in parts))


@dataclass(frozen=True, slots=True)
class BandEnergies:
    """Energy (full scale squared x samples) in OCTAVES and THIRDS, in their order, 0 for bands past 0.45 fs; energy
    `within` 45 Hz-11.2 kHz and its `moment`, times Hz.
    """

    octaves: tuple[float, ...]
    thirds: tuple[float, ...]
    within: float
    moment: float

    @property
    def centroid_hz(self) -> float | None:
        """Energy-weighted mean frequency, Hz; None for silence."""
        return self.moment / self.within if self.within > 0.0 else None

    def times(self, factor: float) -> "BandEnergies":
        """All energies times a factor."""
        octaves, thirds = (tuple(factor * energy for energy in part) for part in (self.octaves, self.thirds))
        return BandEnergies(octaves, thirds, factor * self.within, factor * self.moment)


def band_energies(samples: FloatArray, rate_hz: float) -> BandEnergies:
    """Energy of the samples through the class 1 filter of every band, and their spectral centroid.

    Parameters
    ----------
    samples : shape (n,), n >= 0.1 s, full scale = 1.0; the last FADE_S fade out
    rate_hz : > 0, Hz

    Returns
    -------
    BandEnergies : all 0 and no centroid for silence; single precision weights, error below 1e-4 dB

    Raises
    ------
    ValueError : not finite, or shorter than 0.1 s
    """
    if samples.size < 0.1 * rate_hz:
        raise ValueError(f"{samples.size} samples at {rate_hz:g} Hz: bands need at least 0.1 s")
    length = int(fft.next_fast_len(2 * samples.size, real=True))
    spectrum = fft.rfft(samples * _fade_out(samples.size, rate_hz), length)
    power = spectrum.real**2 + spectrum.imag**2
    greatest = float(power.max())
    if not np.isfinite(greatest):
        raise ValueError("samples are not finite (NaN or infinity), or too large to square")
    if greatest <= 0.0:
        return NO_NOISE
    return energies_of_bins((power / greatest).astype(np.float32), rate_hz, length).times(2.0 * greatest / length)


def energies_of_bins(power: Float32Array, rate_hz: float, length: int) -> BandEnergies:
    """Sums over the bins of a real transform of `length`, each bin's power times the response of the band there."""
    # einsum, as a threaded matrix product waits for a core on a busy machine
    weighted = [float(value) for value in np.einsum("ij,j->i", band_weights(rate_hz, length), power)]
    within, moment = (float(value) for value in np.einsum("ij,j->i", _centroid_weights(rate_hz, length), power))
    return BandEnergies(tuple(weighted[: len(OCTAVES)]), tuple(weighted[len(OCTAVES) :]), within, moment)


NO_NOISE = BandEnergies((0.0,) * len(OCTAVES), (0.0,) * len(THIRDS), 0.0, 0.0)


def undefined(reason: str) -> Tone:
    """A tone of which nothing is known, for one reason."""
    columns = [f"octave_db_{band.nominal}" for band in OCTAVES] + [f"third_octave_db_{band.nominal}" for band in THIRDS]
    return Tone(
        octave_db={band.nominal: None for band in OCTAVES},
        third_octave_db={band.nominal: None for band in THIRDS},
        bass_db=None,
        middle_db=None,
        treble_db=None,
        centroid_hz=None,
        tilt_db_per_octave=None,
        reason=reason,
        reasons=dict.fromkeys((*columns, *SCALARS), reason),
    )


def _tilt(levels_db: list[float | None]) -> float | None:
    """Slope of the least-squares line through equally spaced levels, dB per step."""
    known = [level for level in levels_db if level is not None]
    if len(known) < len(levels_db):
        return None
    steps = np.arange(len(known)) - (len(known) - 1) / 2.0
    return float(steps @ np.array(known) / (steps @ steps))


@lru_cache(maxsize=8)
def _fade_out(length: int, rate_hz: float) -> FloatArray:
    """Ones, and half a raised cosine down to 0 over the last FADE_S."""
    fade = max(round(FADE_S * rate_hz), 1)
    shape = np.ones(length)
    shape[-fade:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    shape.flags.writeable = False
    return shape


@lru_cache(maxsize=8)
def _centroid_weights(rate_hz: float, transform_length: int) -> Float32Array:
    """Two rows over the bins: 1 and the frequency inside 45 Hz-11.2 kHz, 0 outside."""
    frequency_hz = bin_frequencies_hz(rate_hz, transform_length)
    inside = (frequency_hz >= CENTROID_EDGES_HZ[0]) & (frequency_hz <= CENTROID_EDGES_HZ[1])
    weights = np.array([inside, frequency_hz * inside], dtype=np.float32)
    weights.flags.writeable = False
    return weights
