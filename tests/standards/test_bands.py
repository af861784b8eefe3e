"""Octaves and thirds against IEC 61260-1:2014 (through open transcriptions), and against PyOctaveBand."""

import math

import numpy as np
import pytest
from pyoctaveband import octavefilter
from pyoctaveband.compliance import class_limits
from scipy.signal.windows import hann

from coilbench_worker.measure.bands import OCTAVES, THIRDS, Band, measurable
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.spectrum import BandEnergies, Tone, band_energies, tone

RATES_HZ = (44_100, 48_000, 96_000, 192_000)
G = 10**0.3

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


@pytest.mark.parametrize(("nominal", "mid_hz", "low_hz", "high_hz"), MIDS_HZ)
def test_thirds_have_their_mid_bands_and_edges(nominal: str, mid_hz: float, low_hz: float, high_hz: float) -> None:
    band = next(band for band in THIRDS if band.nominal == nominal)
    assert (band.mid_hz, band.low_hz, band.high_hz) == pytest.approx((mid_hz, low_hz, high_hz), rel=1e-6)


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


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(
    ("band", "per_octave"),
    [(band, 1) for band in OCTAVES] + [(band, 3) for band in THIRDS],
    ids=[f"octave-{band.nominal}" for band in OCTAVES] + [f"third-{band.nominal}" for band in THIRDS],
)
def test_every_band_stays_within_class_1(band: Band, per_octave: int, rate_hz: int) -> None:
    """Sines through the measuring function itself, at every break point of the mask up to half the sample rate."""
    duration_s = 0.6 if band.mid_hz < 110 else 0.3 if band.mid_hz < 300 else 0.1
    for omega, least_db, greatest_db in mask(per_octave):
        frequency_hz = omega * band.mid_hz
        if not 8.0 / duration_s < frequency_hz < 0.49 * rate_hz:
            continue
        samples = sine_burst(frequency_hz, rate_hz, duration_s)
        ratio = energy(band_energies(samples, rate_hz), band) / float(samples @ samples)
        attenuation_db = -10 * math.log10(ratio) if ratio > 0 else math.inf
        assert least_db <= attenuation_db <= greatest_db, f"{frequency_hz:.2f} Hz at {omega:.5f} of mid-band"


def test_our_mask_is_that_of_pyoctaveband() -> None:
    for per_octave in (1, 3):
        for omega, least_db, greatest_db in mask(per_octave):
            least, greatest = class_limits(per_octave, 1, np.array([omega]))
            assert least[0] == pytest.approx(least_db, abs=0.06)
            if math.isfinite(greatest_db):
                assert greatest[0] == pytest.approx(greatest_db, abs=0.06)


def white(duration_s: float, seed: int, rate_hz: int = 48_000) -> FloatArray:
    return np.random.default_rng(seed).standard_normal(round(duration_s * rate_hz))


def pink(duration_s: float, seed: int, rate_hz: int = 48_000) -> FloatArray:
    """White noise with its bins divided by the root of the frequency, nothing below 5 Hz."""
    spectrum = np.fft.rfft(white(duration_s, seed, rate_hz))
    frequency_hz = np.fft.rfftfreq(round(duration_s * rate_hz), 1 / rate_hz)
    spectrum[frequency_hz < 5] = 0
    spectrum[1:] /= np.sqrt(frequency_hz[1:])
    return np.fft.irfft(spectrum)


def slopes(samples: FloatArray) -> tuple[float, float]:
    """Level per octave and per third by least squares, dB."""
    measured = tone(samples, 48_000)
    octaves = [level for level in measured.octave_db.values() if level is not None]
    thirds = [level for level in measured.third_octave_db.values() if level is not None]
    return (
        float(np.polyfit(range(len(octaves)), octaves, 1)[0]),
        float(np.polyfit(range(len(thirds)), thirds, 1)[0]),
    )


def test_white_noise_rises_by_10_log_g_per_octave() -> None:
    """Base-ten bands: 3.000 dB per octave, 1.000 dB per third; 10 s of noise: 0.06 dB."""
    assert slopes(white(10, 1)) == pytest.approx((3.0, 1.0), abs=0.06)


def test_pink_noise_is_level() -> None:
    assert slopes(pink(10, 2)) == pytest.approx((0.0, 0.0), abs=0.06)


def test_tilt_of_white_and_pink_noise() -> None:
    assert tone(white(10, 3), 48_000).tilt_db_per_octave == pytest.approx(3.0, abs=0.05)
    assert tone(pink(10, 4), 48_000).tilt_db_per_octave == pytest.approx(0.0, abs=0.05)


def test_flat_spectrum_fills_a_band_with_its_share() -> None:
    """Level + 10 log10(B / 24000): 1 kHz octave -15.32 dB, third -20.17 dB, and 0.05 dB for what the filter passes
    beyond its edges (pi/12 / sin(pi/12)); a single pulse has the flattest of spectra: 0.002 dB.
    """
    pulse = np.zeros(48_000)
    pulse[1000] = 1.0
    measured = band_energies(pulse, 48_000)
    skirts_db = 10 * math.log10(math.pi / 12 / math.sin(math.pi / 12))
    for band in (*OCTAVES, *THIRDS):
        expected_db = 10 * math.log10((band.high_hz - band.low_hz) / 24_000) + skirts_db
        tolerance = 0.05 if band.high_hz > 11_000 else 0.002  # skirts past 24 kHz are not there
        assert 10 * math.log10(energy(measured, band)) == pytest.approx(expected_db, abs=tolerance), band.nominal
    assert 10 * math.log10(measured.octaves[4]) == pytest.approx(-15.32 + 0.05, abs=0.01)
    assert 10 * math.log10(measured.thirds[13]) == pytest.approx(-20.17 + 0.05, abs=0.01)


def test_sine_at_mid_band_keeps_all_its_energy() -> None:
    for band in (*OCTAVES, *THIRDS):
        samples = sine_burst(band.mid_hz, 48_000, 1.0)
        ratio = energy(band_energies(samples, 48_000), band) / float(samples @ samples)
        assert 10 * math.log10(ratio) == pytest.approx(0.0, abs=0.01), band.nominal


@pytest.mark.parametrize("noise", [white(10, 6), pink(10, 7)], ids=["white", "pink"])
def test_band_levels_agree_with_pyoctaveband(noise: FloatArray) -> None:
    """Its decimated Butterworth bank of the same order: 0.1 dB from 100 Hz on (below, its start-up shows)."""
    for per_octave, limits, bands in ((1, [100.0, 9000.0], OCTAVES[1:]), (3, [90.0, 17_000.0], THIRDS[3:])):
        levels, _ = octavefilter(noise, 48_000, fraction=per_octave, order=6, limits=limits, dbfs=True)
        theirs = np.asarray(levels)[-len(bands) :]
        measured = band_energies(noise, 48_000)
        ours = np.array([10 * math.log10(energy(measured, band) / noise.size) for band in bands])
        assert len(theirs) == len(ours)
        assert ours == pytest.approx(theirs, abs=0.1)


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


@pytest.mark.parametrize("rate_hz", [48_000, 88_200, 96_000, 192_000])
def test_tone_is_the_same_at_every_sample_rate(rate_hz: int) -> None:
    """Total of the eight octaves, not of the whole band: 0.01 dB, 0.1 Hz."""
    reference, measured = tone(partials(44_100), 44_100), tone(partials(rate_hz), rate_hz)
    for name in ("bass_db", "middle_db", "treble_db", "tilt_db_per_octave"):
        assert getattr(measured, name) == pytest.approx(getattr(reference, name), abs=0.01), name
    assert measured.centroid_hz == pytest.approx(reference.centroid_hz, abs=0.1)
    assert measured.octave_db == pytest.approx(reference.octave_db, abs=0.01)


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
