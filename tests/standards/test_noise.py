"""Noise and mains hum of synthetic quiet stretches whose levels are arithmetic.

Mains tolerance of 1 %: EN 50160 through secondary texts. Pitches: equal temperament, A4 = 440 Hz (ISO 16:1975).
"""

import math

import numpy as np
import pytest

from coilbench_worker.measure.noise import Noise, QuietStretches
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 48_000


def heard(samples: FloatArray, rate_hz: int = RATE_HZ) -> Noise:
    quiet = QuietStretches(rate_hz)
    quiet.feed(samples)
    return quiet.noise()


def white(duration_s: float, dbfs: float, seed: int = 0, rate_hz: int = RATE_HZ) -> FloatArray:
    return 10 ** (dbfs / 20) * np.random.default_rng(seed).standard_normal(round(duration_s * rate_hz))


def hum(
    duration_s: float,
    mains_hz: float,
    peaks_dbfs: dict[int, float] | None = None,
    rate_hz: int = RATE_HZ,
) -> FloatArray:
    """Sines on multiples of the mains frequency; by default 1, 2, 3 at -60, -66, -72 dBFS peak: -61.823 dBFS RMS."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    peaks = peaks_dbfs or {1: -60.0, 2: -66.0, 3: -72.0}
    lines = [10 ** (level / 20) * np.sin(2 * np.pi * mains_hz * k * time_s + k) for k, level in peaks.items()]
    return np.sum(lines, axis=0)


def string(duration_s: float, pitch_hz: float, dbfs: float, fall_db_per_s: float) -> FloatArray:
    """A ringing string of eight partials, slightly stretched."""
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    partials = [
        np.sin(2 * np.pi * pitch_hz * k * (1 + 2e-5 * k * k) * time_s) * 10 ** (-fall_db_per_s * time_s / 20) / k
        for k in range(1, 9)
    ]
    return 10 ** (dbfs / 20) * np.sum(partials, axis=0)


def test_hum_recipe_reads_its_rms_sum() -> None:
    """50, 100, 150 Hz at -60, -66, -72 dBFS peak: -61.823 dBFS."""
    measured = heard(hum(10, 50.0))
    assert measured.hum_hz == 50
    assert measured.hum_dbfs == pytest.approx(-61.823, abs=0.005)
    assert measured.noise_dbfs == pytest.approx(-61.823, abs=0.005)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_hum_over_white_noise_is_told_from_it(rate_hz: int) -> None:
    """With white noise of -80 dBFS the whole reads -61.76 dBFS, the hum still -61.82."""
    measured = heard(hum(10, 50.0, rate_hz=rate_hz) + white(10, -80.0, rate_hz=rate_hz), rate_hz)
    assert measured.hum_hz == 50
    assert measured.hum_dbfs == pytest.approx(-61.823, abs=0.02)
    assert measured.noise_dbfs == pytest.approx(-61.76, abs=0.02)


@pytest.mark.parametrize("duration_s", [0.5, 0.7, 1.0, 2.5, 6.0])
@pytest.mark.parametrize("mains_hz", [49.5, 49.8, 50.0, 50.5, 59.4, 60.0, 60.3, 60.6])
def test_mains_is_found_within_1_percent(mains_hz: float, duration_s: float) -> None:
    measured = heard(hum(duration_s, mains_hz) + white(duration_s, -80.0))
    assert measured.hum_hz == round(mains_hz, -1)
    assert measured.hum_dbfs == pytest.approx(-61.823, abs=0.1)


@pytest.mark.parametrize(
    ("peaks_dbfs", "what"),
    [
        ({1: -70.0}, "the fundamental alone"),
        ({1: -80.0, 3: -70.0, 5: -74.0, 7: -76.0}, "odd harmonics, as coils pick them up"),
        ({2: -70.0, 3: -75.0, 5: -78.0}, "no fundamental"),
        ({2: -70.0, 4: -72.0, 6: -74.0, 8: -76.0}, "a rectifier's even numbers"),
    ],
)
def test_hum_of_other_shapes_is_found(peaks_dbfs: dict[int, float], what: str) -> None:
    expected = 10 * math.log10(sum(10 ** (level / 10) / 2 for level in peaks_dbfs.values()))
    measured = heard(hum(6, 60.0, peaks_dbfs) + white(6, -85.0))
    assert measured.hum_hz == 60, what
    assert measured.hum_dbfs == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("duration_s", [0.5, 1.0, 3.0])
def test_broadband_noise_is_not_hum(duration_s: float) -> None:
    for seed in range(12):
        measured = heard(white(duration_s, -80.0, seed))
        assert (measured.hum_hz, measured.hum_dbfs) == (None, None)
        assert "hum_hz" in measured.reasons


STRINGS_HZ = [  # pitches close to multiples of 50 and 60 Hz
    *((61.735, "B1 near 60"), (97.999, "G2 near 100"), (116.541, "A#2 near 120"), (123.471, "B2 near 120")),
    *((146.832, "D3 near 150"), (184.997, "F#3 near 180"), (195.998, "G3 near 200"), (233.082, "A#3 near 240")),
    *((246.942, "B3 near 250"), (293.665, "D4 near 300"), (329.628, "E4 near 660"), (349.228, "F4 = 7 x 49.9")),
    *((100.5, "a flat string on 100.5 Hz"), (120.0, "a string on 120 Hz"), (150.0, "a string on 150 Hz")),
    *((180.0, "a string on 180 Hz"), (240.0, "a string on 240 Hz"), (250.0, "a string on 250 Hz")),
]


@pytest.mark.parametrize("duration_s", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(("pitch_hz", "what"), STRINGS_HZ)
def test_ringing_string_near_a_mains_harmonic_is_not_hum(pitch_hz: float, what: str, duration_s: float) -> None:
    """Faint ringing, 10 dB above the noise, dying away by 6 dB/s."""
    measured = heard(string(duration_s, pitch_hz, -75.0, 6.0) + white(duration_s, -88.0))
    assert measured.hum_hz is None, what


@pytest.mark.parametrize(("pitch_hz", "what"), STRINGS_HZ[:12])
def test_hum_under_a_ringing_string_is_still_found(pitch_hz: float, what: str) -> None:
    samples = hum(4, 50.0) + string(4, pitch_hz, -75.0, 6.0) + white(4, -88.0)
    measured = heard(samples)
    assert measured.hum_hz == 50, what
    assert measured.hum_dbfs == pytest.approx(-61.823, abs=0.3)


def test_direct_current_is_not_noise() -> None:
    measured = heard(white(4, -80.0) + 0.01)
    assert measured.noise_dbfs == pytest.approx(-80.0, abs=0.05)
    assert measured.dc_offset == pytest.approx(0.01, abs=1e-5)


def test_white_noise_in_bass_middle_and_treble_is_its_share_of_the_spectrum() -> None:
    """Share of 0-24 kHz between the band edges, and 1.15 % for the skirts of the class 1 filters; 5 %."""
    measured = heard(white(20, -80.0))
    for part, low_hz, high_hz in (("bass", 44.668, 354.81), ("middle", 354.81, 2818.4), ("treble", 2818.4, 11220.2)):
        expected = 1e-8 * 1.0115 * (high_hz - low_hz) / 24_000
        assert measured.band_power[part] == pytest.approx(expected, rel=0.05), part


def test_treble_noise_is_not_known_at_low_sample_rates() -> None:
    measured = heard(white(2, -80.0, rate_hz=22_050), 22_050)
    assert measured.band_power["treble"] is None
    assert measured.band_power["bass"] is not None
    assert measured.noise_dbfs == pytest.approx(-80.0, abs=0.1)
