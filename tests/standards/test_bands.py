"""Octaves and thirds against IEC 61260-1:2014 (through open transcriptions), and against PyOctaveBand.

The response is looked at in the function that measures the level window of a strum (`band_energies`), with sines under
a Hann window, so that nothing but the filter shapes them, and with a single pulse, whose bins are all alike.
"""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest
from pyoctaveband import octavefilter
from pyoctaveband.compliance import class_limits
from scipy.signal.windows import hann

from coilbench_worker.measure.bands import (
    OCTAVES,
    THIRDS,
    Band,
    band_weights,
    bin_frequencies_hz,
    measurable,
)
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.spectrum import BandEnergies, Tone, band_energies, tone

RATES_HZ = (44_100, 48_000, 96_000, 192_000)
G = 10**0.3
IEC_61260, CLOSED_FORM, PYOCTAVEBAND = "IEC 61260-1:2014", "closed form", "PyOctaveBand 2.0"
LEVEL_WINDOW_S = 0.5
PER_OCTAVE = {**dict.fromkeys(OCTAVES, 1), **dict.fromkeys(THIRDS, 3)}

at_every_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)
Deviation = Callable[..., None]

MIDS_HZ = [  # nominal, exact mid-band, lower and upper edge, Hz: 5.4 and 5.5, relative tolerance 1e-6
    ("50", 50.1187, 44.6684, 56.2341),
    ("63", 63.0957, 56.2341, 70.7946),
    ("160", 158.4893, 141.2538, 177.8279),
    ("1000", 1000.0, 891.2509, 1122.0185),
    ("3150", 3162.2777, 2818.3829, 3548.1339),
    ("16000", 15848.9319, 14125.3754, 17782.7941),
]
OCTAVE_MIDS_HZ = [
    *(("63", 63.0957), ("125", 125.8925), ("250", 251.1886), ("500", 501.1872), ("1000", 1000.0)),
    *(("2000", 1995.2623), ("4000", 3981.0717), ("8000", 7943.2823)),
]


@pytest.mark.standard("mid-bands and edges of thirds", IEC_61260, "5.2 to 5.5", tolerance=1e-4, unit="%")
@pytest.mark.parametrize(("nominal", "mid_hz", "low_hz", "high_hz"), MIDS_HZ)
def test_thirds_have_their_mid_bands_and_edges(
    nominal: str, mid_hz: float, low_hz: float, high_hz: float, deviation: Deviation
) -> None:
    band = next(band for band in THIRDS if band.nominal == nominal)
    for measured, expected in ((band.mid_hz, mid_hz), (band.low_hz, low_hz), (band.high_hz, high_hz)):
        deviation(100 * (measured / expected - 1))


def test_octaves_have_their_mid_bands_and_share_their_edges_with_thirds() -> None:
    assert [(band.nominal, round(band.mid_hz, 4)) for band in OCTAVES] == OCTAVE_MIDS_HZ
    for number, band in enumerate(OCTAVES):
        thirds = THIRDS[3 * number : 3 * number + 3]
        assert (thirds[0].low_hz, thirds[2].high_hz) == pytest.approx((band.low_hz, band.high_hz), rel=1e-9)


OCTAVE_POINTS = [  # relative frequency as a power of G, class 1 least and greatest relative attenuation, dB: Table 1
    (0.0, -0.4, 0.4),
    (1 / 8, -0.4, 0.5),
    (1 / 4, -0.4, 0.7),
    (3 / 8, -0.4, 1.4),
    (0.4999, -0.4, 5.3),
    (0.5001, 1.2, math.inf),
    (1.0, 16.6, math.inf),
    (2.0, 40.5, math.inf),
    (3.0, 60.0, math.inf),
    (4.0, 70.0, math.inf),
]


def mask(per_octave: int) -> list[tuple[float, float, float]]:
    """Table 1 on both sides; for thirds the frequencies are mapped by Formula (9)."""
    points = []
    for exponent, least, greatest in OCTAVE_POINTS:
        omega = G**exponent
        mapped = 1 + (G ** (0.5 / per_octave) - 1) / (G**0.5 - 1) * (omega - 1)
        points += [(mapped, least, greatest), (1 / mapped, least, greatest)]
    return points


def sine_burst(frequency_hz: float, rate_hz: int, duration_s: float) -> FloatArray:
    """A sine under a Hann window, so that its spectrum is narrow and nothing but the filter shapes it."""
    count = round(duration_s * rate_hz)
    return hann(count, sym=False) * np.sin(2 * np.pi * frequency_hz * np.arange(count) / rate_hz)


def energy(measured: BandEnergies, band: Band) -> float:
    if band in OCTAVES:
        return measured.octaves[OCTAVES.index(band)]
    return measured.thirds[THIRDS.index(band)]


def beyond_class_1(attenuation_db: FloatArray, frequency_hz: FloatArray, band: Band) -> float:
    """How far attenuations go beyond the class 1 limits, dB; negative inside. Between break points: Formula (11)."""
    least, greatest = class_limits(PER_OCTAVE[band], 1, frequency_hz / band.mid_hz)
    return float(np.maximum(least - attenuation_db, attenuation_db - greatest).max())


def frequencies_hz(rate_hz: int) -> list[float]:
    """Break points of the masks of all bands, from 20 Hz to 0.49 of the sample rate."""
    points = {omega * band.mid_hz for band, per_octave in PER_OCTAVE.items() for omega, _, _ in mask(per_octave)}
    return sorted({round(point, 3) for point in points if 20.0 < point < 0.49 * rate_hz})


@pytest.mark.standard("octaves, response to sines", IEC_61260, "Table 1", limits="class 1", unit="dB")
@pytest.mark.standard("thirds, response to sines", IEC_61260, "Table 1, Formula (9)", limits="class 1", unit="dB")
@at_every_rate
def test_every_band_stays_within_class_1_for_sines(rate_hz: int, deviation: Deviation) -> None:
    """At the break points of every band's mask, each sine through all the bands at once.

    Points nearer to a band's edge than the burst itself is wide are left to the pulse.
    """
    bands = [band for band in PER_OCTAVE if measurable(band, rate_hz)]
    for frequency_hz in frequencies_hz(rate_hz):
        duration_s = next((each for each in (0.1, 0.2, 0.5) if each * frequency_hz >= 30.0), 1.0)
        samples = sine_burst(frequency_hz, rate_hz, duration_s)
        measured, total = band_energies(samples, rate_hz), float(samples @ samples)
        for band in bands:
            ratio = energy(measured, band) / total
            attenuation_db = np.array([-10 * math.log10(max(ratio, 1e-20))])
            kind = "octaves" if band in OCTAVES else "thirds"
            if abs(math.log(frequency_hz / band.mid_hz)) > 1.5 or resolved(frequency_hz, samples.size / rate_hz, band):
                beyond = beyond_class_1(attenuation_db, np.array([frequency_hz]), band)
                deviation(beyond, of=f"{kind}, response to sines")


def resolved(frequency_hz: float, duration_s: float, band: Band) -> bool:
    """Whether a burst's own width (4 bins of a Hann window) lies on one side of each of the band's edges."""
    width_hz = 2.0 / duration_s
    return all(abs(frequency_hz - edge) > width_hz for edge in (band.low_hz, band.high_hz))


@pytest.mark.standard("octaves, response to a pulse", IEC_61260, "Table 1", limits="class 1", unit="dB")
@pytest.mark.standard("thirds, response to a pulse", IEC_61260, "Table 1, Formula (9)", limits="class 1", unit="dB")
@at_every_rate
def test_every_band_stays_within_class_1_for_a_pulse(rate_hz: int, deviation: Deviation) -> None:
    """At every bin of the transform of a 0.5 s window; what a pulse leaves in the bins adds up to the band's energy."""
    pulse = np.zeros(round(LEVEL_WINDOW_S * rate_hz))
    pulse[pulse.size // 4] = 1.0
    length = 2 * pulse.size
    frequency_hz = bin_frequencies_hz(rate_hz, length)
    response = band_weights(rate_hz, length).astype(float) * np.abs(np.fft.rfft(pulse, length)) ** 2
    measured = band_energies(pulse, rate_hz)
    for row, band in zip(response, PER_OCTAVE, strict=True):
        if measurable(band, rate_hz):
            kind = "octaves" if band in OCTAVES else "thirds"
            attenuation_db = -10 * np.log10(np.maximum(row[1:], 1e-20))
            deviation(beyond_class_1(attenuation_db, frequency_hz[1:], band), of=f"{kind}, response to a pulse")
            assert energy(measured, band) == pytest.approx(2 * row.sum() / length, rel=1e-4)


@pytest.mark.standard("class 1 limits at the break points", PYOCTAVEBAND, "class_limits", tolerance=0.06, unit="dB")
def test_our_mask_is_that_of_pyoctaveband(deviation: Deviation) -> None:
    for per_octave in (1, 3):
        for omega, least_db, greatest_db in mask(per_octave):
            least, greatest = class_limits(per_octave, 1, np.array([omega]))
            deviation(least_db - least[0])
            if math.isfinite(greatest_db):
                deviation(greatest_db - greatest[0])


def white(duration_s: float, seed: int, rate_hz: int = 48_000) -> FloatArray:
    return np.random.default_rng(seed).standard_normal(round(duration_s * rate_hz))


def pink(duration_s: float, seed: int, rate_hz: int = 48_000) -> FloatArray:
    """White noise with its bins divided by the root of the frequency, nothing below 5 Hz."""
    spectrum = np.fft.rfft(white(duration_s, seed, rate_hz))
    frequency_hz = np.fft.rfftfreq(round(duration_s * rate_hz), 1 / rate_hz)
    spectrum[frequency_hz < 5] = 0
    spectrum[1:] /= np.sqrt(frequency_hz[1:])
    return np.fft.irfft(spectrum)


@lru_cache(maxsize=2)
def noise_energies(kind: str, rate_hz: int) -> BandEnergies:
    """Energies of 10 s of noise in every band."""
    return band_energies(white(10, 1, rate_hz) if kind == "white" else pink(10, 2, rate_hz), rate_hz)


def slope(energies: tuple[float, ...], rate_hz: int, bands: tuple[Band, ...]) -> float:
    """Level from band to band by least squares, dB."""
    levels = [10 * math.log10(found) for found, band in zip(energies, bands, strict=True) if measurable(band, rate_hz)]
    return float(np.polyfit(range(len(levels)), levels, 1)[0])


@pytest.mark.standard("white noise, per octave (3.000 dB)", IEC_61260, "5.2, octave ratio", tolerance=0.06, unit="dB")
@pytest.mark.standard("white noise, per third (1.000 dB)", IEC_61260, "5.2, octave ratio", tolerance=0.02, unit="dB")
@at_every_rate
def test_white_noise_rises_by_10_log_g_per_octave(rate_hz: int, deviation: Deviation) -> None:
    """Standard errors of the slopes for 10 s: 0.02 dB per octave, 0.006 dB per third."""
    measured = noise_energies("white", rate_hz)
    deviation(slope(measured.octaves, rate_hz, OCTAVES) - 3.0, of="white noise, per octave (3.000 dB)")
    deviation(slope(measured.thirds, rate_hz, THIRDS) - 1.0, of="white noise, per third (1.000 dB)")


@pytest.mark.standard("pink noise, per octave (0 dB)", CLOSED_FORM, "power as 1/f", tolerance=0.06, unit="dB")
@pytest.mark.standard("pink noise, per third (0 dB)", CLOSED_FORM, "power as 1/f", tolerance=0.02, unit="dB")
@at_every_rate
def test_pink_noise_is_level(rate_hz: int, deviation: Deviation) -> None:
    measured = noise_energies("pink", rate_hz)
    deviation(slope(measured.octaves, rate_hz, OCTAVES), of="pink noise, per octave (0 dB)")
    deviation(slope(measured.thirds, rate_hz, THIRDS), of="pink noise, per third (0 dB)")


SKIRTS = math.pi / 12 / math.sin(math.pi / 12)
"""What a Butterworth band-pass of order 6 passes of white noise, re its edges alone."""


@pytest.mark.standard(
    "white noise, level of each band", CLOSED_FORM, "share of a flat spectrum", tolerance=4, unit="standard errors"
)
@at_every_rate
def test_white_noise_fills_each_band_with_its_share_within_its_standard_error(
    rate_hz: int, deviation: Deviation
) -> None:
    """The standard error of a band's level is 4.34 / sqrt(B T) dB: 0.40 dB in the 50 Hz third, 0.09 dB at 1 kHz."""
    measured = noise_energies("white", rate_hz)
    for band in PER_OCTAVE:
        if band.high_hz < 0.4 * rate_hz:
            width_hz = SKIRTS * (band.high_hz - band.low_hz)
            level_db = 10 * math.log10(energy(measured, band) / (10 * rate_hz) / (width_hz / (rate_hz / 2)))
            deviation(level_db / (4.34 / math.sqrt(width_hz * 10)))


@pytest.mark.standard("sum of thirds, pulse", IEC_61260, "5.4, 5.5: edges coincide", tolerance=0.01, unit="dB")
@pytest.mark.standard("sum of thirds, white noise", IEC_61260, "5.4, 5.5: edges coincide", tolerance=0.2, unit="dB")
@pytest.mark.standard("sum of thirds, pink noise", IEC_61260, "5.4, 5.5: edges coincide", tolerance=0.2, unit="dB")
@at_every_rate
def test_three_thirds_make_an_octave(rate_hz: int, deviation: Deviation) -> None:
    """The thirds' skirts reach into their neighbours, which a flat spectrum can't tell and single lines would."""
    pulse = np.zeros(rate_hz)
    pulse[1000] = 1.0
    kinds = {name: noise_energies(name.partition(" ")[0], rate_hz) for name in ("white noise", "pink noise")}
    for kind, measured in {**kinds, "pulse": band_energies(pulse, rate_hz)}.items():
        for number, octave in enumerate(measured.octaves):
            thirds = measured.thirds[3 * number : 3 * number + 3]
            deviation(10 * math.log10(sum(thirds) / octave), of=f"sum of thirds, {kind}")


@pytest.mark.standard("tilt of white noise", IEC_61260, "5.2, octave ratio", tolerance=0.05, unit="dB per octave")
@pytest.mark.standard("tilt of pink noise", CLOSED_FORM, "power as 1/f", tolerance=0.05, unit="dB per octave")
def test_tilt_of_white_and_pink_noise(deviation: Deviation) -> None:
    for kind, samples, expected in (("white", white(10, 3), 3.0), ("pink", pink(10, 4), 0.0)):
        tilt = tone(samples, 48_000).tilt_db_per_octave
        assert tilt is not None
        deviation(tilt - expected, of=f"tilt of {kind} noise")


@pytest.mark.standard("energy of a pulse in each band", CLOSED_FORM, "edges and skirts", tolerance=0.002, unit="dB")
@at_every_rate
def test_flat_spectrum_fills_a_band_with_its_share(rate_hz: int, deviation: Deviation) -> None:
    """Level + 10 log10(B / half the rate) (1 kHz octave at 48 kHz: -15.32 dB, third: -20.17 dB), and 0.05 dB for what
    the filter passes beyond its edges; bands whose skirts reach half the sample rate lack some of that.
    """
    pulse = np.zeros(rate_hz)
    pulse[1000] = 1.0
    measured = band_energies(pulse, rate_hz)
    for band in PER_OCTAVE:
        if band.high_hz < 0.24 * rate_hz:
            expected_db = 10 * math.log10(SKIRTS * (band.high_hz - band.low_hz) / (rate_hz / 2))
            deviation(10 * math.log10(energy(measured, band)) - expected_db)


@pytest.mark.standard("sine at mid-band", CLOSED_FORM, "all its energy", tolerance=0.01, unit="dB")
@at_every_rate
def test_sine_at_mid_band_keeps_all_its_energy(rate_hz: int, deviation: Deviation) -> None:
    for band in PER_OCTAVE:
        if measurable(band, rate_hz):
            samples = sine_burst(band.mid_hz, rate_hz, 1.0 if band.mid_hz < 300 else 0.2)
            ratio = energy(band_energies(samples, rate_hz), band) / float(samples @ samples)
            deviation(10 * math.log10(ratio))


@pytest.mark.standard("steady sine at mid-band in the 0.5 s window", CLOSED_FORM, "", tolerance=0.25, unit="dB")
@at_every_rate
def test_sine_that_starts_with_the_window_keeps_its_energy(rate_hz: int, deviation: Deviation) -> None:
    """As a strum does: the start has no fade, the last 5 ms fade out (0.02 dB), and some of a low band's energy is
    spread beyond its edges by the start.
    """
    for band in PER_OCTAVE:
        if measurable(band, rate_hz):
            samples = np.sin(2 * np.pi * band.mid_hz * np.arange(round(LEVEL_WINDOW_S * rate_hz)) / rate_hz)
            ratio = energy(band_energies(samples, rate_hz), band) / float(samples @ samples)
            deviation(10 * math.log10(ratio))


@pytest.mark.standard("octaves of noise", PYOCTAVEBAND, "octavefilter, order 6", tolerance=0.1, unit="dB")
@pytest.mark.standard("thirds of noise", PYOCTAVEBAND, "octavefilter, order 6", tolerance=0.1, unit="dB")
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("kind", ["white", "pink"])
def test_band_levels_agree_with_pyoctaveband(kind: str, rate_hz: int, deviation: Deviation) -> None:
    """Its decimated Butterworth bank of the same order, from 100 Hz on (below, its start-up shows) to 0.2 of the rate
    (above, its filters are narrowed by the bilinear transform).
    """
    noise = white(10, 6, rate_hz) if kind == "white" else pink(10, 7, rate_hz)
    measured = band_energies(noise, rate_hz)
    for name, per_octave, bands in (("octaves", 1, OCTAVES[1:]), ("thirds", 3, THIRDS[3:])):
        bands = tuple(band for band in bands if band.high_hz < 0.2 * rate_hz)
        limits = [0.95 * bands[0].mid_hz, 1.05 * bands[-1].mid_hz]
        levels, _ = octavefilter(noise, rate_hz, fraction=per_octave, order=6, limits=limits, dbfs=True)
        theirs = np.asarray(levels)
        assert theirs.size == len(bands)
        for band, their in zip(bands, theirs, strict=True):
            deviation(10 * math.log10(energy(measured, band) / noise.size) - their, of=f"{name} of noise")


def partials(rate_hz: int) -> FloatArray:
    """Half a second of six decaying strings, the same waveform at every rate."""
    time_s = np.arange(round(0.5 * rate_hz)) / rate_hz
    total = np.zeros(time_s.size)
    for string, base_hz in enumerate((82.407, 110.0, 146.832, 195.998, 246.942, 329.628)):
        for number in range(1, 30):
            frequency_hz = base_hz * number * (1 + 2e-5 * number**2)
            if frequency_hz < 10_500:
                decay = np.exp(-(1 + 0.2 * number) * time_s) / number
                total += decay * np.sin(2 * np.pi * frequency_hz * time_s + string + number)
    return total * np.minimum(time_s / 0.005, 1.0)


@pytest.mark.standard("bands, balance, tilt at another rate", "44.1 kHz", "same waveform", tolerance=0.01, unit="dB")
@pytest.mark.standard("centroid at another rate", "44.1 kHz", "same waveform", tolerance=0.1, unit="Hz")
@pytest.mark.parametrize("rate_hz", [48_000, 88_200, 96_000, 192_000])
def test_tone_is_the_same_at_every_sample_rate(rate_hz: int, deviation: Deviation) -> None:
    """Total of the eight octaves, not of the whole band."""
    reference, measured = tone(partials(44_100), 44_100), tone(partials(rate_hz), rate_hz)
    pairs = [
        *((getattr(measured, n), getattr(reference, n)) for n in ("bass_db", "middle_db", "treble_db")),
        (measured.tilt_db_per_octave, reference.tilt_db_per_octave),
        *((measured.octave_db[band.nominal], reference.octave_db[band.nominal]) for band in OCTAVES),
    ]
    for ours, before in pairs:
        deviation(ours - before, of="bands, balance, tilt at another rate")
    assert measured.centroid_hz is not None
    assert reference.centroid_hz is not None
    deviation(measured.centroid_hz - reference.centroid_hz, of="centroid at another rate")


LOW_RATES = [(8000, 0), (16_000, 0), (22_050, 0), (24_000, 0), (32_000, 25), (44_100, 26)]  # rate, thirds given


@pytest.mark.parametrize(("rate_hz", "thirds"), LOW_RATES)
def test_bands_past_0_45_of_the_rate_are_not_given(rate_hz: int, thirds: int) -> None:
    """Without the 8 kHz octave the total is not known, and nothing that refers to it is given."""
    measured: Tone = tone(white(0.5, 8, rate_hz), rate_hz)
    assert sum(level is not None for level in measured.third_octave_db.values()) == thirds
    given = measurable(OCTAVES[-1], rate_hz)
    assert given == (thirds > 0)
    assert (measured.reason is None) == given
    for name in ("bass_db", "middle_db", "treble_db", "centroid_hz", "tilt_db_per_octave"):
        assert (getattr(measured, name) is not None) == given, name
