"""Decay: gain, polarity, reasons; what happens where there is too little to go by."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.band_decay import band_decay, band_powers, window_length
from coilbench_worker.measure.cells import cells
from coilbench_worker.measure.decay import energy_decay
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 8000


def falling(rate_db_per_s: float, duration_s: float = 4.0, rate_hz: int = RATE_HZ) -> FloatArray:
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    return 10 ** (-rate_db_per_s * time_s / 20) * np.sin(2 * np.pi * 220 * time_s)


@settings(max_examples=25, deadline=None)
@given(rate=st.floats(7.0, 120.0), gain_db=st.floats(-60.0, 10.0), polarity=st.sampled_from([1, -1]))
def test_gain_and_polarity_leave_the_decay_alone(rate: float, gain_db: float, polarity: int) -> None:
    gain = polarity * 10 ** (gain_db / 20)
    noise = 1e-7
    before = energy_decay(falling(rate), RATE_HZ, noise_power=noise)
    after = energy_decay(falling(rate) * gain, RATE_HZ, noise_power=noise * gain * gain)
    assert before.db_per_s == pytest.approx(rate, rel=0.02)
    assert after.db_per_s == pytest.approx(before.db_per_s, rel=1e-6)


def test_strum_that_does_not_die_away_has_no_decay() -> None:
    measured = energy_decay(falling(0.0), RATE_HZ, noise_power=0.0)
    assert measured.db_per_s is None
    assert measured.reason == "the level does not fall steadily: no decay can be told from it"


def test_growing_strum_has_no_decay() -> None:
    assert energy_decay(falling(-10.0), RATE_HZ, noise_power=0.0).db_per_s is None


def test_strum_cut_off_too_soon_says_how_far_it_could_be_followed() -> None:
    measured = energy_decay(falling(3.0), RATE_HZ, noise_power=0.0)
    assert measured.db_per_s is None
    assert measured.reason is not None
    assert measured.reason.startswith(
        "the energy can be followed only 9.0 dB down, to where the strum ends or is followed no further"
    )


def test_strum_in_the_noise_says_so() -> None:
    samples = falling(10.0) + np.random.default_rng(1).standard_normal(4 * RATE_HZ)
    measured = energy_decay(samples, RATE_HZ, noise_power=1.0)
    assert measured.reason == "the strum is nowhere 10 dB above the noise"


@pytest.mark.parametrize("duration_s", [0.0005, 0.02])
def test_strum_of_a_few_milliseconds_has_no_decay(duration_s: float) -> None:
    measured = energy_decay(falling(10.0, duration_s), RATE_HZ, noise_power=0.0)
    assert measured.db_per_s is None
    assert measured.reason


def test_silence_has_no_decay() -> None:
    assert energy_decay(np.zeros(RATE_HZ), RATE_HZ, noise_power=0.0).db_per_s is None
    assert all(entry.db_per_s is None for entry in band_decay(np.zeros(48_000), 48_000).values())


def test_negative_noise_power_and_bad_samples_are_errors() -> None:
    with pytest.raises(ValueError, match="negative"):
        energy_decay(falling(10.0), RATE_HZ, noise_power=-1.0)
    with pytest.raises(ValueError, match="no samples"):
        energy_decay(np.zeros(0), RATE_HZ, noise_power=0.0)
    with pytest.raises(ValueError, match="not finite"):
        energy_decay(np.full(100, np.inf), RATE_HZ, noise_power=0.0)
    with pytest.raises(ValueError, match="not finite"):
        band_decay(np.full(48_000, np.nan), 48_000)


def test_cells_hold_all_the_energy_but_an_unfinished_last_cell() -> None:
    samples = np.random.default_rng(2).standard_normal(1003)
    measured = cells(samples, RATE_HZ)
    assert (measured.samples_per_cell, measured.energies.size) == (8, 125)
    assert measured.energies.sum() == pytest.approx(float(samples[:1000] @ samples[:1000]))
    assert measured.means(0.05)[0] == pytest.approx(float(np.mean(samples[:400] ** 2)))


def test_band_powers_of_white_noise_are_its_share_of_the_spectrum() -> None:
    """Bass 310, middle 2464, treble 8402 Hz of 24 kHz, 1.15 % wider for the filters' skirts: 3 %."""
    noise = np.random.default_rng(3).standard_normal(30 * 48_000)
    measured = band_powers(noise, 48_000).mean(axis=0)
    expected = np.array([310.145, 2463.57, 8401.8]) * 1.0115 / 24_000
    assert measured == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(("rate_hz", "length"), [(22_050, 2048), (44_100, 4096), (48_000, 4096), (192_000, 16_384)])
def test_band_window_is_the_power_of_two_near_85_ms(rate_hz: int, length: int) -> None:
    assert window_length(rate_hz) == length


def test_band_decay_says_why_it_is_missing() -> None:
    short = band_decay(np.ones(5000), 48_000)
    assert {entry.reason for entry in short.values()} == {"the strum is too short for a decay by band"}
    low = band_decay(falling(20.0, 4.0, 22_050), 22_050)
    assert low["treble"].reason is not None
    assert "sample rate is too low" in low["treble"].reason
    assert low["bass"].db_per_s == pytest.approx(20.0, rel=0.02)
    unknown = band_decay(falling(20.0, 4.0, 48_000), 48_000, noise_power={"bass": None, "middle": 0.0, "treble": 0.0})
    assert unknown["bass"].reason == "the noise in this band is not known"
