"""Which recordings are taken for a reference tone, and what is said of those that are not."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import chirp, sawtooth, square

from coilbench_worker.measure.reference_tone import ToneUnfit
from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.steady_stretch import course
from material.plain_take import plain_samples
from material.tones import RATE_HZ, among_silence, faults, hiss, measured_tone, rounded, sine, times


def plug(size: int, seed: int = 3) -> FloatArray:
    """A plug that is pushed in: a short burst, louder than the tone."""
    return hiss(0.3, size, seed) * np.exp(-np.arange(size) / (0.01 * RATE_HZ))


def test_tone_is_found_between_silence_plugs_and_a_fade() -> None:
    tone = sine(peak=0.25, seconds=4.0)
    tone[: RATE_HZ // 2] *= np.linspace(0.0, 1.0, RATE_HZ // 2)
    samples = among_silence(tone, 1.5, 1.0)
    samples[RATE_HZ // 2 : RATE_HZ] += plug(RATE_HZ // 2)
    samples[-RATE_HZ // 2 :] += plug(RATE_HZ // 2, seed=4)
    found = measured_tone(samples)
    assert found.rms_dbfs == pytest.approx(20 * np.log10(0.25 / np.sqrt(2.0)), abs=1e-3)
    assert 1.5 < found.start_s < 2.3
    assert 3.0 < found.duration_s < 4.0


def test_plug_that_clips_outside_the_tone_is_no_matter() -> None:
    samples = among_silence(sine(seconds=3.0), 1.0, 1.0)
    samples[5_000:9_000] = np.clip(4.0 * plug(4_000), -1.0, 1.0)
    assert np.abs(samples).max() == 1.0
    assert faults(samples) == {}


def test_offset_and_a_slow_wander_of_it_leave_the_level_alone() -> None:
    tone = sine(peak=0.2, seconds=3.0)
    wander = 0.05 + 0.0005 * np.sin(2 * np.pi * 0.4 * times(3.0))
    assert measured_tone(tone + wander).rms_dbfs == pytest.approx(measured_tone(tone).rms_dbfs, abs=1e-3)


def test_long_tone_is_measured_by_pieces_spread_over_all_of_it() -> None:
    drifting = sine(peak=0.2, seconds=90.0, rate_hz=8_000) * 10 ** (np.linspace(0.0, 0.06, 90 * 8_000) / 20)
    found = measured_tone(drifting, 8_000)
    assert found.duration_s > 89.0
    assert found.degrees_of_freedom == 119
    assert found.stability_db == pytest.approx(0.06, abs=0.002)
    assert found.rms_dbfs == pytest.approx(20 * np.log10(0.2 / np.sqrt(2)) + 0.03, abs=0.001)


@given(
    gain_db=st.floats(-20.0, 6.0),
    phase=st.floats(0.0, 2.0 * np.pi),
    inverted=st.booleans(),
    frequency_hz=st.floats(310.0, 9_000.0),
)
@settings(deadline=None, max_examples=20, derandomize=True)
def test_level_follows_the_gain_whatever_phase_polarity_and_frequency(
    gain_db: float, phase: float, inverted: bool, frequency_hz: float
) -> None:
    peak = 0.4 * 10 ** (gain_db / 20)
    samples = sine(frequency_hz, peak, phase=phase, seconds=1.4, rate_hz=22_050) * (-1 if inverted else 1)
    found = measured_tone(samples, 22_050)
    assert found.rms_dbfs == pytest.approx(20 * np.log10(peak / np.sqrt(2)), abs=1e-3)
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-6)


def two_levels() -> FloatArray:
    return np.concatenate((sine(peak=0.3, seconds=3.0), sine(peak=0.2, seconds=3.0)))


def modulated(depth: float, rate_hz: float) -> FloatArray:
    return sine(seconds=4.0) * (1 + depth * np.sin(2 * np.pi * rate_hz * times(4.0)))


def pink(size: int) -> FloatArray:
    spectrum = np.fft.rfft(hiss(1.0, size))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, size)
    return np.asarray(0.1 * noise / noise.std())


def warped(wander: float) -> FloatArray:
    """1 kHz that drifts by a share of itself in 4 s."""
    return 0.3 * chirp(times(4.0), 1000.0, 4.0, 1000.0 * (1 + wander))


UNFIT: list[tuple[str, str, Callable[[], FloatArray]]] = [
    ("nothing at all", "silent", lambda: np.zeros(2 * RATE_HZ)),
    ("a moment", "too-short", lambda: sine(seconds=0.05)),
    ("offset alone", "silent", lambda: np.full(2 * RATE_HZ, 0.1)),
    ("0.7 s", "too-short", lambda: among_silence(sine(seconds=0.7), 1.0, 1.0)),
    ("one strum after the other", "too-short", lambda: plain_samples()),
    ("stuttering", "too-short", lambda: sine(seconds=6.0) * (np.sin(2 * np.pi * times(6.0)) > 0)),
    ("-45 dBFS", "too-quiet", lambda: sine(peak=0.008)),
    ("full scale", "clipped", lambda: rounded(sine(peak=1.0), 16)),
    ("far beyond full scale", "clipped", lambda: rounded(sine(peak=1.4), 24)),
    ("two levels", "not-steady", two_levels),
    ("slow swell", "not-steady", lambda: modulated(0.02, 0.3)),
    ("drift of 2 %", "frequency-wanders", lambda: warped(0.02)),
    ("flat tops", "distorted", lambda: np.clip(sine(peak=0.5), -0.4, 0.4)),
    ("saw-tooth", "not-one-tone", lambda: 0.3 * sawtooth(2 * np.pi * 1000.3 * times(2.0))),
    ("square wave", "not-one-tone", lambda: 0.3 * square(2 * np.pi * 1000.3 * times(2.0))),
    ("two tones", "not-one-tone", lambda: sine(700.0) + sine(1100.0)),
    ("a tone over hum", "not-one-tone", lambda: sine(1000.0) + sine(50.0, 0.01)),
    ("a chord", "not-one-tone", lambda: sine(440.0, 0.2) + sine(554.4, 0.2) + sine(659.3, 0.2)),
    ("a tone in hiss", "noisy", lambda: sine() + hiss(0.004, 2 * RATE_HZ)),
    ("quick wobble", "noisy", lambda: 0.3 * np.sin(2 * np.pi * (1e3 * times(2.0) + np.sin(40 * times(2.0)) / 30))),
    ("50 Hz", "mains", lambda: sine(50.2)),
    ("60 Hz", "mains", lambda: sine(59.9)),
    ("third harmonic", "mains", lambda: sine(180.0)),
    ("16 Hz", "frequency-out-of-range", lambda: sine(16.0, seconds=4.0)),
    ("23 kHz", "frequency-out-of-range", lambda: sine(23_000.0)),
]


@pytest.mark.parametrize(("name", "code", "make"), UNFIT, ids=[name for name, _, _ in UNFIT])
def test_unfit_recording_is_refused_with_number_limit_and_advice(
    name: str, code: str, make: Callable[[], FloatArray]
) -> None:
    found = faults(make())
    assert code in found, f"{name}: {found}"
    assert any(character.isdigit() for character in found[code])
    assert found[code].endswith(".")


@pytest.mark.parametrize("noise", [lambda: hiss(0.1, 4 * RATE_HZ), lambda: pink(4 * RATE_HZ)], ids=["white", "pink"])
def test_noise_is_no_tone(noise: Callable[[], FloatArray]) -> None:
    found = faults(noise())
    assert {"not-one-tone", "too-short"} & set(found), found


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_sweep_is_no_tone(rate_hz: int) -> None:
    sweep = 0.3 * chirp(times(5.0, rate_hz), 100.0, 5.0, 10_000.0, method="logarithmic")
    assert {"frequency-wanders", "noisy", "not-one-tone"} & set(faults(sweep, rate_hz))


SIDES: list[tuple[str, Callable[[], FloatArray], Callable[[], FloatArray]]] = [
    ("too-short", lambda: sine(seconds=1.4), lambda: sine(seconds=1.1)),
    ("too-quiet", lambda: sine(peak=0.0145), lambda: sine(peak=0.0138)),
    ("clipped", lambda: sine(peak=0.985), lambda: sine(peak=0.992)),
    ("not-steady", lambda: modulated(0.0052, 0.3), lambda: modulated(0.0065, 0.3)),
    ("frequency-wanders", lambda: warped(0.00095), lambda: warped(0.00125)),
    ("distorted", lambda: sine() + sine(2000.0, 0.00295), lambda: sine() + sine(2000.0, 0.00305)),
    ("not-one-tone", lambda: sine() + sine(1300.0, 0.00295), lambda: sine() + sine(1300.0, 0.00305)),
    ("noisy", lambda: sine() + hiss(0.00208, 2 * RATE_HZ), lambda: sine() + hiss(0.00218, 2 * RATE_HZ)),
    ("mains", lambda: sine(50.6), lambda: sine(50.4)),
    ("mains", lambda: sine(59.3), lambda: sine(59.5)),
    ("mains", lambda: sine(350.0), lambda: sine(300.0)),
    ("mains", lambda: sine(246.9), lambda: sine(247.6)),
    ("frequency-out-of-range", lambda: sine(21.0, seconds=4.0), lambda: sine(19.5, seconds=4.0)),
    ("frequency-out-of-range", lambda: sine(21_500.0), lambda: sine(21_700.0)),
]


@pytest.mark.parametrize(("code", "fit", "unfit"), SIDES, ids=[f"{code}-{at}" for at, (code, _, _) in enumerate(SIDES)])
def test_both_sides_of_each_limit(code: str, fit: Callable[[], FloatArray], unfit: Callable[[], FloatArray]) -> None:
    assert faults(fit()) == {}
    assert set(faults(unfit())) == {code}


@pytest.mark.parametrize(("frequency_hz", "seen"), [(7_900.0, True), (8_100.0, False)])
def test_harmonics_above_the_band_are_not_made_up(frequency_hz: float, seen: bool) -> None:
    assert (measured_tone(sine(frequency_hz)).harmonics_db is not None) is seen


def test_all_faults_are_named_at_once() -> None:
    hum = sine(50.0, 0.006, seconds=4.0) * (1 + 0.05 * np.sin(2 * np.pi * 0.3 * times(4.0)))
    assert set(faults(hum + hiss(0.0003, hum.size))) == {"too-quiet", "not-steady", "noisy", "mains"}


def test_other_line_is_named_by_its_frequency() -> None:
    message = faults(sine(1000.0) + sine(650.3, 0.01))["not-one-tone"]
    assert "Beside 1000.0 Hz there is another line at 650 Hz" in message
    assert "-29.5 dB re the tone; -40 dB (1 %) is the limit" in message


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
def test_sample_that_is_no_number_is_named_by_its_time(bad: float) -> None:
    samples = sine()
    samples[RATE_HZ] = bad
    with pytest.raises(ToneUnfit, match=r"The sample at 1\.000 s") as unfit:
        measured_tone(samples)
    assert [fault.code for fault in unfit.value.faults] == ["not-finite"]


def test_message_of_the_exception_holds_every_fault() -> None:
    with pytest.raises(ToneUnfit) as unfit:
        measured_tone(sine(50.0, 0.006))
    assert [fault.code for fault in unfit.value.faults] == ["too-quiet", "mains"]
    assert all(fault.message in str(unfit.value) for fault in unfit.value.faults)


def test_course_is_the_same_whatever_the_blocks() -> None:
    samples = among_silence(sine(seconds=3.0), 0.35, 0.2)

    class Crumbs(ArraySource):
        def blocks(self):  # type: ignore[no-untyped-def]
            for start in range(0, self.frames, 777):
                yield self.segment(start, min(start + 777, self.frames))

    whole = course(OneChannel(ArraySource(samples, RATE_HZ), 0))
    crumbs = course(OneChannel(Crumbs(samples, RATE_HZ), 0))
    assert crumbs.levels_dbfs == pytest.approx(whole.levels_dbfs, abs=1e-9)
    assert crumbs.peaks == pytest.approx(whole.peaks, abs=0.0)
