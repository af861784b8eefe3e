"""Loudness against ITU-R BS.1770-5 (11/2023) and EBU Tech 3341 (11/2023), and against two other implementations.

We measure one channel as one mono channel. The tones of Tech 3341 are the same in both channels of a stereo signal,
whose powers add: each channel alone is measured, and its reading raised by STEREO_DB is what the case asks for. Case 6
is the sum over its five channels, each measured alone and weighted by Table 3 of BS.1770-5. Cases 7 and 8 need
programme files that are not ours; short-term loudness (cases 9 to 11) is read from the windows that give the momentary
loudness of a strum, made 3 s long.
"""

import math
from collections.abc import Callable, Iterator

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from coilbench_worker.measure.loudness import (
    OFFSET_DB,
    IntegratedLoudness,
    k_weighting_sos,
    momentary_maximum_lufs,
    window_powers,
)
from coilbench_worker.measure.source import FloatArray

BS_1770, TECH_3341 = "ITU-R BS.1770-5", "EBU Tech 3341 (11/2023)"
RATES_HZ = (44_100, 48_000, 96_000, 192_000)
STEREO_DB = 10 * math.log10(2)
SHORT_TERM_S, MOMENTARY_S = 3.0, 0.4

at_every_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)
Deviation = Callable[..., None]
Parts = list[tuple[float, float | None]]


def tone(rate_hz: int, *parts: tuple[float, float | None], frequency_hz: float = 1000.0) -> FloatArray:
    """A sine through all parts (seconds, peak dBFS or None for silence)."""
    gains = [
        np.full(round(seconds * rate_hz), 0.0 if level is None else 10 ** (level / 20)) for seconds, level in parts
    ]
    gain = np.concatenate(gains)
    return gain * np.sin(2 * np.pi * frequency_hz * np.arange(gain.size) / rate_hz)


def integrated(samples: FloatArray, rate_hz: int, block: int = 65_536) -> float:
    meter = IntegratedLoudness(rate_hz)
    for start in range(0, samples.size, block):
        meter.feed(samples[start : start + block])
    return known(meter.lufs())


def known(level: float | None) -> float:
    """A level that has to be there."""
    assert level is not None
    return level


def windows(samples: FloatArray, rate_hz: int, window_s: float, start_s: float, until_s: float) -> FloatArray:
    """Loudness of the windows that begin from start_s on and end by until_s, every 10 ms, as of a stereo signal."""
    stop_s = until_s - window_s + 0.01
    powers = window_powers(samples, rate_hz, window_s=window_s, start_s=start_s, stop_s=stop_s)
    assert powers is not None
    return OFFSET_DB + STEREO_DB + 10 * np.log10(np.maximum(powers, 1e-30))


COEFFICIENTS = [  # BS.1770-5 Annex 1 tables 1 and 2, 48 kHz
    (0, [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]),
    (1, [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]),
]


@pytest.mark.standard("K weighting, coefficients", BS_1770, "Annex 1, tables 1 and 2", tolerance=1e-12, unit="")
@pytest.mark.parametrize(("stage", "printed"), COEFFICIENTS)
def test_k_weighting_at_48_khz_has_the_coefficients_of_the_tables(
    stage: int, printed: list[float], deviation: Deviation
) -> None:
    for measured, expected in zip(k_weighting_sos(48_000)[stage], printed, strict=True):
        deviation(measured - expected)


def gain_db(sos: FloatArray, frequency_hz: FloatArray, rate_hz: int) -> FloatArray:
    _, response = sosfreqz(sos, frequency_hz, fs=rate_hz)
    return 20 * np.log10(np.abs(response))


@pytest.mark.standard(
    "K weighting, response from 20 Hz to 20 kHz", BS_1770, "Annex 1, tables 1 and 2", tolerance=0.01, unit="dB"
)
@at_every_rate
def test_k_weighting_has_the_response_of_the_tables_at_every_rate(rate_hz: int, deviation: Deviation) -> None:
    """Annex 1: other rates need the response that the coefficients have at 48 kHz."""
    frequency_hz = np.geomspace(20.0, 20_000.0, 500)
    printed = gain_db(np.array([row for _, row in COEFFICIENTS]), frequency_hz, 48_000)
    for each in gain_db(k_weighting_sos(rate_hz), frequency_hz, rate_hz) - printed:
        deviation(each)


@pytest.mark.standard("integrated loudness of a full-scale sine", BS_1770, "Annex 1", tolerance=0.01, unit="LU")
@pytest.mark.standard("momentary loudness of a full-scale sine", BS_1770, "Annex 1", tolerance=0.01, unit="LU")
@at_every_rate
def test_full_scale_sine_of_997_hz_in_one_channel_reads_minus_3_01(rate_hz: int, deviation: Deviation) -> None:
    samples = tone(rate_hz, (2.0, 0.0), frequency_hz=997.0)
    deviation(integrated(samples, rate_hz) + 3.01, of="integrated loudness of a full-scale sine")
    deviation(known(momentary_maximum_lufs(samples, rate_hz)) + 3.01, of="momentary loudness of a full-scale sine")


INTEGRATED: list[tuple[str, Parts]] = [  # case, (s, dBFS per channel); each must read -23.0, case 2 -33.0
    ("1", [(20, -23)]),
    ("2", [(20, -33)]),
    ("3", [(10, -36), (60, -23), (10, -36)]),
    ("4", [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)]),
    ("5", [(20, -26), (20.1, -20), (20, -26)]),
]


@pytest.mark.standard("integrated loudness", TECH_3341, "Table 1, cases 1 to 5", tolerance=0.1, unit="LU")
@at_every_rate
@pytest.mark.parametrize(("case", "parts"), INTEGRATED)
def test_integrated_loudness_of_tech_3341(case: str, parts: Parts, rate_hz: int, deviation: Deviation) -> None:
    expected = -33.0 if case == "2" else -23.0
    deviation(integrated(tone(rate_hz, *parts), rate_hz) + STEREO_DB - expected)


SURROUND = [(-28.0, 1.0), (-28.0, 1.0), (-24.0, 1.0), (-30.0, 1.41), (-30.0, 1.41)]  # dBFS and gain of L, R, C, Ls, Rs


@pytest.mark.standard("integrated loudness, channels added", TECH_3341, "Table 1, case 6", tolerance=0.1, unit="LU")
@at_every_rate
def test_integrated_loudness_of_tech_3341_case_6(rate_hz: int, deviation: Deviation) -> None:
    powers = [gain * 10 ** (integrated(tone(rate_hz, (20, level)), rate_hz) / 10) for level, gain in SURROUND]
    deviation(10 * math.log10(sum(powers)) + 23.0)


@pytest.mark.standard("momentary loudness of a steady tone", TECH_3341, "Table 1, cases 1, 2", tolerance=0.1, unit="LU")
@pytest.mark.standard(
    "short-term loudness of a steady tone", TECH_3341, "Table 1, cases 1, 2", tolerance=0.1, unit="LU"
)
@at_every_rate
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_momentary_and_short_term_loudness_of_a_steady_tone(level: float, rate_hz: int, deviation: Deviation) -> None:
    samples = tone(rate_hz, (5, level))
    for name, window_s in (("momentary", MOMENTARY_S), ("short-term", SHORT_TERM_S)):
        for each in windows(samples, rate_hz, window_s, 1.0, 5.0):
            deviation(each - level, of=f"{name} loudness of a steady tone")


@pytest.mark.standard("short-term loudness stays constant", TECH_3341, "Table 1, case 9", tolerance=0.1, unit="LU")
@at_every_rate
def test_short_term_loudness_stays_constant_in_tech_3341_case_9(rate_hz: int, deviation: Deviation) -> None:
    """(1.34 s at -20, 1.66 s at -30) x 5: S = -23.0, constant after 3 s."""
    samples = tone(rate_hz, *([(1.34, -20.0), (1.66, -30.0)] * 5))
    for each in windows(samples, rate_hz, SHORT_TERM_S, 0.0, 15.0):
        deviation(each + 23.0)


@pytest.mark.standard("greatest short-term loudness", TECH_3341, "Table 1, case 10", tolerance=0.1, unit="LU")
@at_every_rate
@pytest.mark.parametrize("step", range(20))
def test_greatest_short_term_loudness_of_tech_3341_case_10(step: int, rate_hz: int, deviation: Deviation) -> None:
    """Of a file: i x 0.15 s silence, 3 s at -23, 1 s silence."""
    samples = tone(rate_hz, (0.15 * step, None), (3.0, -23.0), (1.0, None))
    deviation(windows(samples, rate_hz, SHORT_TERM_S, 0.0, 4.0 + 0.15 * step).max() + 23.0)


def live(rate_hz: int, window_s: float, shift_s: float) -> Iterator[tuple[int, float]]:
    """Greatest loudness so far, live, after each of 20 parts: i x shift silence, a window of tone at -38 + i, silence.

    Each part is read with the one before it, which is all that its windows can reach.
    """
    length_s = 2 * window_s
    parts = [
        tone(rate_hz, (shift_s * step, None), (window_s, -38.0 + step), (window_s - shift_s * step, None))
        for step in range(20)
    ]
    greatest = -math.inf
    for step, part in enumerate(parts):
        samples = np.concatenate((parts[step - 1] if step else np.zeros(part.size), part))
        greatest = max(greatest, windows(samples, rate_hz, window_s, window_s, 2 * length_s - 0.01).max())
        yield step, greatest


@pytest.mark.standard("greatest short-term loudness, live", TECH_3341, "Table 1, case 11", tolerance=0.1, unit="LU")
@at_every_rate
def test_greatest_short_term_loudness_of_tech_3341_case_11(rate_hz: int, deviation: Deviation) -> None:
    """Live: i x 0.15 s silence, 3 s at -38 + i, silence up to 6 s: -38, -37 ... -19."""
    for step, greatest in live(rate_hz, SHORT_TERM_S, 0.15):
        deviation(greatest - (-38.0 + step))


@pytest.mark.standard("momentary loudness stays constant", TECH_3341, "Table 1, case 12", tolerance=0.1, unit="LU")
@at_every_rate
def test_momentary_loudness_stays_constant_in_tech_3341_case_12(rate_hz: int, deviation: Deviation) -> None:
    """(0.18 s at -20, 0.22 s at -30) x 25: M = -23.0, constant after 1 s."""
    samples = tone(rate_hz, *([(0.18, -20.0), (0.22, -30.0)] * 25))
    for each in windows(samples, rate_hz, MOMENTARY_S, 0.6, 10.0):
        deviation(each + 23.0)


@pytest.mark.standard("greatest momentary loudness", TECH_3341, "Table 1, case 13", tolerance=0.1, unit="LU")
@at_every_rate
@pytest.mark.parametrize("step", range(20))
def test_greatest_momentary_loudness_of_tech_3341_case_13(step: int, rate_hz: int, deviation: Deviation) -> None:
    """Of a file: i x 20 ms silence, 0.4 s at -23, 1 s silence; a 100 ms hop would read -23.45 and fail."""
    samples = tone(rate_hz, (0.020 * step, None), (0.4, -23.0), (1.0, None))
    deviation(known(momentary_maximum_lufs(samples, rate_hz, stop_s=0.5)) + STEREO_DB + 23.0)


@pytest.mark.standard("greatest momentary loudness, live", TECH_3341, "Table 1, case 14", tolerance=0.1, unit="LU")
@at_every_rate
def test_greatest_momentary_loudness_of_tech_3341_case_14(rate_hz: int, deviation: Deviation) -> None:
    """Live: i x 20 ms silence, 0.4 s at -38 + i, silence up to 0.8 s: -38, -37 ... -19."""
    for step, greatest in live(rate_hz, MOMENTARY_S, 0.020):
        deviation(greatest - (-38.0 + step))


GATING: list[tuple[str, Parts, float]] = [  # computed from BS.1770-5 Annex 1 with scipy (mono, 1 kHz)
    ("a mono tone at -20", [(10, -20.0)], -23.004),
    ("a tone, then as much silence", [(5, -20.0), (5, None)], -20.126 - STEREO_DB),
]


@pytest.mark.standard("gating of silence", BS_1770, "Annex 1, equations 3 to 7, computed", tolerance=0.01, unit="LU")
@pytest.mark.parametrize(("what", "parts", "expected"), GATING)
def test_gate_leaves_silence_out(what: str, parts: Parts, expected: float, deviation: Deviation) -> None:
    deviation(integrated(tone(48_000, *parts), 48_000) - expected)


@pytest.mark.standard("integrated loudness of white noise", BS_1770, "tables 1 and 2", tolerance=0.05, unit="LU")
def test_white_noise_gains_3_83_db_from_k_weighting(deviation: Deviation) -> None:
    """Plain RMS -20 dBFS, 48 kHz, 60 s: -16.86 LUFS (computed from the tables)."""
    noise = 0.1 * np.random.default_rng(7).standard_normal(60 * 48_000)
    deviation(integrated(noise, 48_000) + 16.86)


def test_recording_below_400_ms_has_no_integrated_loudness() -> None:
    meter = IntegratedLoudness(48_000)
    meter.feed(tone(48_000, (0.39, -20.0)))
    assert meter.lufs() is None
    assert integrated(tone(48_000, (0.40, -20.0)), 48_000) == pytest.approx(-23.004, abs=0.02)


def test_what_stays_below_the_absolute_gate_has_no_loudness() -> None:
    meter = IntegratedLoudness(48_000)
    meter.feed(tone(48_000, (5, -80.0)))
    assert meter.lufs() is None


def programme(rate_hz: int) -> FloatArray:
    """Twelve seconds of noise bursts and decaying tones with pauses."""
    random = np.random.default_rng(5)
    time_s = np.arange(12 * rate_hz) / rate_hz
    decay = np.exp(-3.0 * (time_s % 3.0))
    tones = sum(np.sin(2 * np.pi * f * time_s) / n for n, f in enumerate((82.4, 196.0, 659.3, 2637.0), start=1))
    return 0.2 * decay * tones + 0.003 * random.standard_normal(time_s.size)


@pytest.mark.standard("integrated loudness of decaying tones", "pyebur128 0.1", "48 kHz", tolerance=0.01, unit="LU")
def test_integrated_loudness_agrees_with_pyebur128(deviation: Deviation) -> None:
    deviation(integrated(programme(48_000), 48_000) - of_pyebur128(48_000))


@pytest.mark.standard(
    "integrated loudness of decaying tones", "pyebur128 0.1", "44.1, 96, 192 kHz", tolerance=0.05, unit="LU"
)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_integrated_loudness_agrees_with_pyebur128_at_other_rates(rate_hz: int, deviation: Deviation) -> None:
    """It lets the pass-band gain of the high-pass move with the rate, by up to 0.03 dB; we don't."""
    deviation(integrated(programme(rate_hz), rate_hz) - of_pyebur128(rate_hz))


def of_pyebur128(rate_hz: int) -> float:
    samples = programme(rate_hz)
    state = pyebur128.R128State(1, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(samples, samples.size)
    return float(pyebur128.get_loudness_global(state))


@pytest.mark.standard(
    "integrated loudness of decaying tones", "pyloudnorm 0.2 'DeMan'", "48 kHz", tolerance=0.01, unit="LU"
)
def test_integrated_loudness_agrees_with_pyloudnorm(deviation: Deviation) -> None:
    meter = pyloudnorm.Meter(48_000, filter_class="DeMan")
    deviation(integrated(programme(48_000), 48_000) - meter.integrated_loudness(programme(48_000)))


@pytest.mark.standard("momentary loudness of decaying tones", "pyebur128 0.1", "48 kHz", tolerance=0.01, unit="LU")
@pytest.mark.standard("short-term loudness of decaying tones", "pyebur128 0.1", "48 kHz", tolerance=0.01, unit="LU")
def test_momentary_and_short_term_loudness_agree_with_pyebur128(deviation: Deviation) -> None:
    """The windows that end where pyebur128 was stopped, 3.6 s from the start."""
    samples = programme(48_000)[: round(3.6 * 48_000)]
    state = pyebur128.R128State(1, 48_000, pyebur128.MeasurementMode.MODE_S)
    state.add_frames(samples, samples.size)
    short = windows(samples, 48_000, SHORT_TERM_S, 0.6, 3.6)[-1] - STEREO_DB
    momentary = known(momentary_maximum_lufs(samples, 48_000, onset=3 * 48_000, start_s=0.2, stop_s=0.21))
    deviation(short - pyebur128.get_loudness_shortterm(state), of="short-term loudness of decaying tones")
    deviation(momentary - pyebur128.get_loudness_momentary(state), of="momentary loudness of decaying tones")
