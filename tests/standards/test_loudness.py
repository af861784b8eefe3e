"""Loudness against ITU-R BS.1770-5 (11/2023) and EBU Tech 3341 (11/2023), and against two other implementations.

We measure one channel as one mono channel. The tones of Tech 3341 are stereo, the same in both channels, whose powers
add: each expected reading is 3.01 dB lower here, or our reading is raised by STEREO_DB where the case is written as
printed. Short-term loudness (3 s) is not among our quantities, so cases 9 to 11 do not apply; 7 and 8 need programme
files that are not ours; 6 is multichannel.
"""

import math

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from coilbench_worker.measure.loudness import IntegratedLoudness, k_weighting_sos, momentary_maximum_lufs
from coilbench_worker.measure.source import FloatArray

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 192_000)
STEREO_DB = 10 * math.log10(2)


def tone(rate_hz: int, *parts: tuple[float, float | None], frequency_hz: float = 1000.0) -> FloatArray:
    """A sine through all parts (seconds, peak dBFS or None for silence)."""
    gains = [
        np.full(round(seconds * rate_hz), 0.0 if level is None else 10 ** (level / 20)) for seconds, level in parts
    ]
    gain = np.concatenate(gains)
    return gain * np.sin(2 * np.pi * frequency_hz * np.arange(gain.size) / rate_hz)


def integrated(samples: FloatArray, rate_hz: int, block: int = 65_536) -> float | None:
    meter = IntegratedLoudness(rate_hz)
    for start in range(0, samples.size, block):
        meter.feed(samples[start : start + block])
    return meter.lufs()


COEFFICIENTS = [  # BS.1770-5 Annex 1 tables 1 and 2, 48 kHz, tolerance 1e-12
    (0, [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]),
    (1, [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]),
]


@pytest.mark.parametrize(("stage", "expected"), COEFFICIENTS)
def test_k_weighting_at_48_khz_has_the_coefficients_of_the_tables(stage: int, expected: list[float]) -> None:
    assert k_weighting_sos(48_000)[stage] == pytest.approx(expected, abs=1e-12)


GAINS = [  # Hz, dB: computed from BS.1770-5 tables 1 and 2; tolerance 0.002 dB
    *((20, -13.2754), (31.5, -7.7900), (50, -3.9341), (63, -2.6639), (80, -1.7318), (100, -1.1335), (125, -0.7278)),
    *((160, -0.4350), (200, -0.2649), (250, -0.1529), (315, -0.0750), (400, -0.0148), (500, 0.0425), (800, 0.3275)),
    *((997, 0.6910), (1000, 0.6977), (1600, 2.2904), (2000, 3.0713), (2500, 3.5798), (4000, 3.9680), (8000, 4.0394)),
    *((10_000, 4.0419), (20_000, 4.0431)),
]


def k_gain_db(frequency_hz: float, rate_hz: int) -> float:
    _, response = sosfreqz(k_weighting_sos(rate_hz), [frequency_hz], fs=rate_hz)
    return float(20 * np.log10(abs(response[0])))


@pytest.mark.parametrize(("frequency_hz", "expected_db"), GAINS)
def test_k_weighting_has_the_gains_of_the_tables(frequency_hz: float, expected_db: float) -> None:
    assert k_gain_db(frequency_hz, 48_000) == pytest.approx(expected_db, abs=0.002)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("frequency_hz", "expected_db"), GAINS)
def test_k_weighting_is_the_same_at_every_rate(rate_hz: int, frequency_hz: float, expected_db: float) -> None:
    """BS.1770-5 Annex 1: other rates need the same response: 0.01 dB."""
    assert k_gain_db(frequency_hz, rate_hz) == pytest.approx(expected_db, abs=0.01)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_full_scale_sine_of_997_hz_in_one_channel_reads_minus_3_01(rate_hz: int) -> None:
    """BS.1770-5 Annex 1: -3.01 LKFS; we hold 0.01 dB at every rate."""
    samples = tone(rate_hz, (2.0, 0.0), frequency_hz=997.0)
    assert integrated(samples, rate_hz) == pytest.approx(-3.01, abs=0.01)
    assert momentary_maximum_lufs(samples, rate_hz) == pytest.approx(-3.01, abs=0.01)


INTEGRATED = [  # EBU Tech 3341 Table 1: case, (s, dBFS per channel), expected LUFS of the stereo signal, tolerance 0.1
    ("1", [(20, -23)], -23.0),
    ("2", [(20, -33)], -33.0),
    ("3", [(10, -36), (60, -23), (10, -36)], -23.0),
    ("4", [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    ("5", [(20, -26), (20.1, -20), (20, -26)], -23.0),
]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("case", "parts", "expected"), INTEGRATED)
def test_integrated_loudness_of_tech_3341(
    case: str, parts: list[tuple[float, float]], expected: float, rate_hz: int
) -> None:
    measured = integrated(tone(rate_hz, *parts), rate_hz)
    assert measured is not None
    assert measured + STEREO_DB == pytest.approx(expected, abs=0.1), f"Tech 3341 case {case}"


@pytest.mark.parametrize(("case", "level", "expected"), [("1", -23.0, -23.0), ("2", -33.0, -33.0)])
def test_momentary_loudness_of_a_steady_tone(case: str, level: float, expected: float) -> None:
    """Tech 3341 cases 1 and 2: M = I = the tone's level, tolerance 0.1."""
    measured = momentary_maximum_lufs(tone(48_000, (2, level)), 48_000, onset=24_000)
    assert measured is not None
    assert measured + STEREO_DB == pytest.approx(expected, abs=0.1), f"Tech 3341 case {case}"


def test_momentary_loudness_stays_constant_in_tech_3341_case_12() -> None:
    """(0.18 s at -20, 0.22 s at -30) x 25: M = -23.0 +-0.1, constant after 1 s; every window from 1 s on is read."""
    samples = tone(48_000, *([(0.18, -20.0), (0.22, -30.0)] * 12))
    for step in range(100, 400, 7):
        start_s = step / 100
        measured = momentary_maximum_lufs(samples, 48_000, start_s=start_s, stop_s=start_s + 0.01)
        assert measured is not None
        assert measured + STEREO_DB == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("step", range(20))
def test_maximum_momentary_loudness_of_tech_3341_case_13(step: int, rate_hz: int) -> None:
    """i x 20 ms silence, 0.4 s at -23, 1 s silence: Max M = -23.0 +-0.1; a 100 ms hop would read -23.45 and fail."""
    samples = tone(rate_hz, (0.020 * step, None), (0.4, -23.0), (1.0, None))
    measured = momentary_maximum_lufs(samples, rate_hz, stop_s=0.5)
    assert measured is not None
    assert measured + STEREO_DB == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("step", range(20))
def test_maximum_momentary_loudness_of_tech_3341_case_14(step: int) -> None:
    """i x 20 ms silence, 0.4 s at -38 + i, silence up to 0.8 s: Max M = -38 + i, +-0.1."""
    samples = tone(48_000, (0.020 * step, None), (0.4, -38.0 + step), (0.5, None))
    measured = momentary_maximum_lufs(samples, 48_000, stop_s=0.4)
    assert measured is not None
    assert measured + STEREO_DB == pytest.approx(-38.0 + step, abs=0.1)


GATING = [  # computed from BS.1770-5 Annex 1 with scipy (checkvalues: mono, 1 kHz), tolerance 0.01
    ("a mono tone at -20", [(10, -20.0)], -23.004),
    ("a tone, then as much silence", [(5, -20.0), (5, None)], -20.126 - STEREO_DB),
]


@pytest.mark.parametrize(("what", "parts", "expected"), GATING)
def test_gate_leaves_silence_out(what: str, parts: list[tuple[float, float | None]], expected: float) -> None:
    assert integrated(tone(48_000, *parts), 48_000) == pytest.approx(expected, abs=0.01), what


def test_white_noise_gains_3_83_db_from_k_weighting() -> None:
    """Plain RMS -20 dBFS, 48 kHz, 60 s: -16.86 LUFS +-0.05 (computed from tables 1 and 2)."""
    noise = 0.1 * np.random.default_rng(7).standard_normal(60 * 48_000)
    assert integrated(noise, 48_000) == pytest.approx(-16.86, abs=0.05)


def test_recording_below_400_ms_has_no_integrated_loudness() -> None:
    assert integrated(tone(48_000, (0.39, -20.0)), 48_000) is None
    assert integrated(tone(48_000, (0.40, -20.0)), 48_000) == pytest.approx(-23.004, abs=0.02)


def test_what_stays_below_the_absolute_gate_has_no_loudness() -> None:
    assert integrated(tone(48_000, (5, -80.0)), 48_000) is None


def programme(rate_hz: int) -> FloatArray:
    """Twelve seconds of noise bursts and decaying tones with pauses."""
    random = np.random.default_rng(5)
    time_s = np.arange(12 * rate_hz) / rate_hz
    decay = np.exp(-3.0 * (time_s % 3.0))
    tones = sum(np.sin(2 * np.pi * f * time_s) / n for n, f in enumerate((82.4, 196.0, 659.3, 2637.0), start=1))
    return 0.2 * decay * tones + 0.003 * random.standard_normal(time_s.size)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_integrated_loudness_agrees_with_pyebur128(rate_hz: int) -> None:
    samples = programme(rate_hz)
    state = pyebur128.R128State(1, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(samples, samples.size)
    tolerance = 0.01 if rate_hz == 48_000 else 0.05
    assert integrated(samples, rate_hz) == pytest.approx(pyebur128.get_loudness_global(state), abs=tolerance)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_integrated_loudness_agrees_with_pyloudnorm(rate_hz: int) -> None:
    samples = programme(rate_hz)
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    tolerance = 0.01 if rate_hz == 48_000 else 0.05
    assert integrated(samples, rate_hz) == pytest.approx(meter.integrated_loudness(samples), abs=tolerance)


def test_momentary_loudness_agrees_with_pyebur128() -> None:
    """The window that starts 0.2 s after the onset, and ends where pyebur128 was stopped."""
    samples = programme(48_000)
    end = 3 * 48_000 + round(0.6 * 48_000)
    state = pyebur128.R128State(1, 48_000, pyebur128.MeasurementMode.MODE_M)
    state.add_frames(np.ascontiguousarray(samples[:end]), end)
    measured = momentary_maximum_lufs(samples, 48_000, onset=3 * 48_000, start_s=0.2, stop_s=0.21)
    assert measured == pytest.approx(pyebur128.get_loudness_momentary(state), abs=0.01)
