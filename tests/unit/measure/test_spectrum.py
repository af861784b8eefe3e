"""Tone: what does not depend on gain, polarity and padding; what is None and why."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from coilbench_worker.measure.bands import OCTAVES, THIRDS, band_response
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.spectrum import FADE_S, band_energies, tone

RATE_HZ = 48_000


@cache
def strum(duration_s: float = 0.5, slope: float = 1.0) -> FloatArray:
    """Six decaying strings with partials up to 15 kHz, amplitude 1 / number ** slope."""
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    total = np.zeros(time_s.size)
    for string, base_hz in enumerate((82.4, 110.0, 146.8, 196.0, 246.9, 329.6)):
        for number in range(1, int(15_000 / base_hz)):
            frequency_hz = base_hz * number * (1 + 3e-5 * number**2)
            if frequency_hz < 15_000:
                decay = np.exp(-(1 + 0.1 * number) * time_s) / number**slope
                total += decay * np.sin(2 * np.pi * frequency_hz * time_s + string)
    return total * np.minimum(time_s / 0.002, 1.0)


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-90.0, 20.0), polarity=st.sampled_from([1, -1]))
def test_gain_and_polarity_leave_the_tone_alone(gain_db: float, polarity: int) -> None:
    samples = strum()
    before, after = tone(samples, RATE_HZ), tone(samples * polarity * 10 ** (gain_db / 20), RATE_HZ)
    assert after.octave_db == pytest.approx(before.octave_db, abs=1e-3)
    assert after.third_octave_db == pytest.approx(before.third_octave_db, abs=1e-3)
    assert after.centroid_hz == pytest.approx(before.centroid_hz, abs=0.01)
    assert after.tilt_db_per_octave == pytest.approx(before.tilt_db_per_octave, abs=1e-3)


def test_eight_octaves_sum_to_the_total_and_the_balance_to_its_octaves() -> None:
    measured = tone(strum(), RATE_HZ)
    shares = [10 ** (level / 10) for level in measured.octave_db.values() if level is not None]
    assert sum(shares) == pytest.approx(1.0, abs=1e-6)
    for name, part in (("bass_db", shares[:3]), ("middle_db", shares[3:6]), ("treble_db", shares[6:])):
        assert getattr(measured, name) == pytest.approx(10 * np.log10(sum(part)), abs=1e-4)


@pytest.mark.parametrize("samples", [strum(), np.sin(2 * np.pi * 50.1 * np.arange(24_000) / RATE_HZ)])
def test_padding_to_twice_the_length_is_enough(samples: FloatArray) -> None:
    """Against 16 times the length in double precision: 0.02 dB wherever a band holds 1e-6 of the energy."""
    fade = np.ones(samples.size)
    count = round(FADE_S * RATE_HZ)
    fade[-count:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)
    length = 16 * samples.size
    power = np.abs(np.fft.rfft(samples * fade, length)) ** 2 * 2 / length
    frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    measured = band_energies(samples, RATE_HZ)
    for band, ours in zip((*OCTAVES, *THIRDS), (*measured.octaves, *measured.thirds), strict=True):
        expected = float(band_response(band, frequency_hz) @ power)
        if expected > 1e-6 * power.sum():
            assert 10 * np.log10(ours / expected) == pytest.approx(0.0, abs=0.02), band.nominal


@pytest.mark.parametrize("slope", [1.0, 2.0, 3.0])
def test_cutting_the_strum_off_adds_no_treble(slope: float) -> None:
    """Against filters run through the strum as it goes on, energy inside the window: 0.5 dB in every octave."""
    longer = np.concatenate((np.zeros(RATE_HZ), strum(1.0, slope)))
    window = slice(RATE_HZ, RATE_HZ + RATE_HZ // 2)
    energies = []
    for band in OCTAVES:
        filtered = sosfilt(butter(6, [band.low_hz, band.high_hz], "band", fs=RATE_HZ, output="sos"), longer)[window]
        energies.append(float(filtered @ filtered))
    measured = tone(longer[window], RATE_HZ)
    for band, energy in zip(OCTAVES, energies, strict=True):
        assert measured.octave_db[band.nominal] == pytest.approx(10 * np.log10(energy / sum(energies)), abs=0.5)


def test_centroid_of_one_tone_is_its_frequency() -> None:
    time_s = np.arange(24_000) / RATE_HZ
    shaped = np.hanning(24_000) * np.sin(2 * np.pi * 1234.5 * time_s)
    assert tone(shaped, RATE_HZ).centroid_hz == pytest.approx(1234.5, abs=0.1)


def test_silence_has_no_tone_and_says_so() -> None:
    measured = tone(np.zeros(24_000), RATE_HZ)
    assert measured.reason == "the level window is silent"
    assert set(measured.octave_db.values()) == {None}
    assert (measured.bass_db, measured.centroid_hz, measured.tilt_db_per_octave) == (None, None, None)


def test_low_sample_rate_is_the_reason_for_a_missing_tone() -> None:
    measured = tone(np.ones(11_025), 22_050)
    assert measured.reason is not None
    assert "sample rate is too low" in measured.reason


def test_window_below_a_tenth_of_a_second_is_an_error() -> None:
    with pytest.raises(ValueError, match=r"at least 0\.1 s"):
        tone(np.ones(4799), RATE_HZ)


def test_samples_that_are_not_finite_are_an_error() -> None:
    with pytest.raises(ValueError, match="not finite"):
        tone(np.full(24_000, np.nan), RATE_HZ)
