"""Tone of one strum: band levels, balance, centroid and tilt, all from one transform of the level window.

The energy of the window through a band's filter is the sum of |X|^2 |H|^2 (Parseval). The window is padded with zeros
to twice its length: what the filters ring on for then wraps round only where it has died away (at 50 Hz, the narrowest
band, to less than 0.02 dB). The last 5 ms of the window fade out: cutting a sounding string off in
mid-swing would add a click whose treble rivals that of a dark pickup, and which no filter run through the recording
would show.
"""

from dataclasses import dataclass
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
from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray

FADE_S = 0.005
CENTROID_EDGES_HZ = (OCTAVES[0].low_hz, OCTAVES[-1].high_hz)
TILT_FROM = 1

SILENT = "the level window is silent"
RATE_TOO_LOW = (
    "the sample rate is too low for the 8 kHz octave (upper edge 11.2 kHz, 0.45 of the rate), so that the total of the "
    "eight octaves is not known; record at 44.1 kHz or more"
)


@dataclass(frozen=True, slots=True)
class Tone:
    """Tone of one strum; levels in dB re the energy of all eight octaves, bands by nominal frequency in Hz.

    Everything is None with `reason` where that total is unknown; a single third is None where its upper edge passes
    0.45 of the sample rate.
    """

    octave_db: dict[str, float | None]
    third_octave_db: dict[str, float | None]
    bass_db: float | None
    middle_db: float | None
    treble_db: float | None
    centroid_hz: float | None
    tilt_db_per_octave: float | None
    reason: str | None = None


def tone(samples: FloatArray, rate_hz: float) -> Tone:
    """Band levels, balance, centroid and tilt of the level window.

    Parameters
    ----------
    samples : shape (n,), n >= 0.1 s, full scale = 1.0: the level window
    rate_hz : > 0, Hz

    Returns
    -------
    Tone : all None with `reason` for silence and where the sample rate is below 24.9 kHz

    Raises
    ------
    ValueError : not finite, or shorter than 0.1 s

    Source: IEC 61260-1:2014, class 1 bands. Accuracy: tests/standards/test_bands.py.
    """
    if not measurable(OCTAVES[-1], rate_hz):
        return undefined(RATE_TOO_LOW)
    energies = band_energies(samples, rate_hz)
    total = sum(energies.octaves)
    if total <= 0.0:
        return undefined(SILENT)
    octave_db = {band.nominal: power_db(energy / total) for band, energy in zip(OCTAVES, energies.octaves, strict=True)}
    third_db = {
        band.nominal: power_db(energy / total) if measurable(band, rate_hz) else None
        for band, energy in zip(THIRDS, energies.thirds, strict=True)
    }
    balance = {part: power_db(sum(energies.octaves[first:last]) / total) for part, (first, last) in BALANCE.items()}
    return Tone(
        octave_db=octave_db,
        third_octave_db=third_db,
        bass_db=balance["bass"],
        middle_db=balance["middle"],
        treble_db=balance["treble"],
        centroid_hz=energies.centroid_hz,
        tilt_db_per_octave=_tilt([octave_db[band.nominal] for band in OCTAVES[TILT_FROM:]]),
    )


@dataclass(frozen=True, slots=True)
class BandEnergies:
    """Energy (full scale squared x samples) in OCTAVES and THIRDS, in their order, 0 for bands past 0.45 fs;
    centroid.
    """

    octaves: tuple[float, ...]
    thirds: tuple[float, ...]
    centroid_hz: float | None


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
        return BandEnergies((0.0,) * len(OCTAVES), (0.0,) * len(THIRDS), None)
    scaled = (power / greatest).astype(np.float32)
    # einsum, as a threaded matrix product waits for a core on a busy machine
    weighted = np.einsum("ij,j->i", band_weights(rate_hz, length), scaled)
    energies = [2.0 * greatest / length * float(value) for value in weighted]
    within, moment = (float(value) for value in np.einsum("ij,j->i", _centroid_weights(rate_hz, length), scaled))
    return BandEnergies(
        octaves=tuple(energies[: len(OCTAVES)]),
        thirds=tuple(energies[len(OCTAVES) :]),
        centroid_hz=moment / within if within > 0.0 else None,
    )


def undefined(reason: str) -> Tone:
    return Tone(
        octave_db={band.nominal: None for band in OCTAVES},
        third_octave_db={band.nominal: None for band in THIRDS},
        bass_db=None,
        middle_db=None,
        treble_db=None,
        centroid_hz=None,
        tilt_db_per_octave=None,
        reason=reason,
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
