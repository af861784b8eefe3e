"""One strum: its windows, levels that can be told beforehand, and what is left empty."""

import math

import numpy as np
import pytest

from coilbench_worker.measure import one_strum, spectrum
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.noise import Noise, QuietStretches
from coilbench_worker.measure.one_strum import (
    BEGINS_IN_FILE,
    BODY_IN_NOISE,
    BODY_SILENT,
    CUT_SHORT,
    cut_short,
    measure_strum,
)
from coilbench_worker.measure.results import Strum
from coilbench_worker.measure.settings import MeasureSettings, Window
from coilbench_worker.measure.source import ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.strums import StrumTimes

RATE_HZ = 48_000
ONSET = RATE_HZ // 2
FALL_DB_PER_S = 12.0
LEVEL = {"peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "crest_db"}
TONE = {"bass_db", "middle_db", "treble_db", "centroid_hz", "tilt_db_per_octave"}


def dying_sine(hz: float = 440.0, peak: float = 0.5) -> FloatArray:
    """Half a second of silence, then a sine that falls by 12 dB/s for 4.5 s."""
    time_s = np.arange(9 * RATE_HZ // 2) / RATE_HZ
    sound = peak * np.sin(2 * np.pi * hz * time_s) * 10 ** (-FALL_DB_PER_S * time_s / 20)
    return np.concatenate((np.zeros(ONSET), sound))


def silent_noise() -> Noise:
    return QuietStretches(RATE_HZ).noise()


def measure(samples: FloatArray, end_s: float = 5.0, settings: MeasureSettings | None = None) -> Strum:
    channel = OneChannel(ArraySource(samples, RATE_HZ), 0)
    times = StrumTimes(ONSET, round(end_s * RATE_HZ), "next")
    return measure_strum(channel, 1, times, settings or MeasureSettings(), silent_noise())[0]


def mean_level_db(start_s: float, stop_s: float) -> float:
    """RMS level of a dying sine of peak 1 between two instants, by integration."""
    nepers = FALL_DB_PER_S * math.log(10) / 10
    energy = (math.exp(-nepers * start_s) - math.exp(-nepers * stop_s)) / nepers
    return 10 * math.log10(0.5 * energy / (stop_s - start_s))


def test_levels_of_a_dying_sine_are_those_of_the_formula() -> None:
    found = measure(dying_sine()).quantities
    expected = 20 * math.log10(0.5) + mean_level_db(0.0, 0.5)
    assert found["rms_dbfs"] == pytest.approx(expected, abs=0.01)
    assert found["peak_dbfs"] == pytest.approx(20 * math.log10(0.5), abs=0.01)
    assert found["crest_db"] == pytest.approx(20 * math.log10(0.5) - expected, abs=0.02)
    assert found["attack_body_db"] == pytest.approx(mean_level_db(0.0, 0.1) - mean_level_db(0.1, 0.5), abs=0.02)


def test_dynamics_of_a_dying_sine_are_those_of_the_formula() -> None:
    found = measure(dying_sine()).quantities
    assert found["decay_db_per_s"] == pytest.approx(FALL_DB_PER_S, rel=0.01)
    assert found["sustain_20_s"] == pytest.approx(20.0 / FALL_DB_PER_S, abs=0.01)
    assert found["hold_1s_db"] == pytest.approx(-FALL_DB_PER_S * (1.0 - 0.025), abs=0.1)


@pytest.mark.parametrize(("late_s", "force"), [(0.002, 1.0), (0.005, 1.0), (0.015, 8.0)])
def test_next_strum_found_late_moves_neither_decay_nor_sustain(late_s: float, force: float) -> None:
    """An onset may be found 15 ms late (measurements.md); what began by then belongs to the next strum."""
    alone = dying_sine()
    followed = alone.copy()
    begins = round((2.3 - late_s) * RATE_HZ)
    followed[begins:] += force * alone[ONSET : ONSET + followed.size - begins]
    expected, found = measure(alone, 2.3), measure(followed, 2.3)
    for key in ("decay_db_per_s", "sustain_20_s", "hold_1s_db"):
        assert expected.quantities[key] is not None, key
        assert found.quantities[key] == pytest.approx(expected.quantities[key], rel=1e-9), key
    assert expected.band_decay_db_per_s["middle"] is not None
    assert found.band_decay_db_per_s == pytest.approx(expected.band_decay_db_per_s)


@pytest.mark.parametrize(("hz", "part"), [(125.0, "bass_db"), (1000.0, "middle_db"), (6000.0, "treble_db")])
def test_energy_is_told_in_its_part_of_the_spectrum(hz: float, part: str) -> None:
    found = measure(dying_sine(hz)).quantities
    others = {"bass_db", "middle_db", "treble_db"} - {part}
    assert found[part] == pytest.approx(0.0, abs=0.1)
    assert all((level := found[other]) is None or level < -10.0 for other in others)
    assert found["centroid_hz"] == pytest.approx(hz, rel=0.05)


@pytest.mark.parametrize(
    ("end_s", "empty"),
    [
        (5.0, set()),
        (1.001, {"loudness_lufs"}),
        (0.999, LEVEL | TONE | {"attack_body_db"}),
        (0.65, LEVEL | TONE | {"attack_body_db"}),
        (0.55, LEVEL | TONE | {"attack_body_db", "attack_ms"}),
    ],
)
def test_window_that_does_not_fit_leaves_its_quantities_empty(end_s: float, empty: set[str]) -> None:
    """Loudness is 400 ms long and may start anywhere in the level window: it needs 0.9 s after the onset."""
    strum = measure(dying_sine(), end_s)
    assert set(cut_short(strum)) & (LEVEL | TONE | {"attack_body_db", "attack_ms"}) == empty - {"loudness_lufs"} | (
        {"loudness_lufs"} if "loudness_lufs" in empty and strum.quantities["loudness_lufs"] is None else set()
    )
    for key in set(strum.quantities) - empty:
        assert strum.quantities[key] is not None or strum.reasons[key] != CUT_SHORT, key


def test_windows_are_never_shortened() -> None:
    """What there is of a window that fits is not changed by where the strum ends."""
    whole, cut = measure(dying_sine()).quantities, measure(dying_sine(), 1.6).quantities
    for key in ("rms_dbfs", "peak_dbfs", "attack_ms", "attack_body_db", "bass_db", "centroid_hz"):
        assert cut[key] == pytest.approx(whole[key], rel=1e-6, abs=1e-6), key


@pytest.mark.parametrize("window", [(0.0, 0.5), (0.2, 0.3), (0.5, 2.0)])
def test_level_window_is_the_one_asked_for(window: Window) -> None:
    found = measure(dying_sine(), settings=MeasureSettings(level_window_s=window)).quantities
    assert found["rms_dbfs"] == pytest.approx(20 * math.log10(0.5) + mean_level_db(*window), abs=0.02)


def test_silent_strum_is_empty_with_reasons() -> None:
    strum = measure(np.zeros(5 * RATE_HZ))
    for key, value in strum.quantities.items():
        assert value is None, key
        assert strum.reasons[key]


def test_every_quantity_of_the_catalogue_is_there_even_of_a_moment() -> None:
    for end_s in (0.5 + 1 / RATE_HZ, 0.51, 0.6, 5.0):
        strum = measure(dying_sine(), end_s)
        scalars = {each.key for each in QUANTITIES if each.of == "strum" and not each.parts and not each.calibrated}
        assert set(strum.quantities) == scalars
        assert all(key in strum.reasons for key, value in strum.quantities.items() if value is None)
        for vector in (strum.octave_db, strum.third_octave_db, strum.band_decay_db_per_s):
            assert all(value is None or math.isfinite(value) for value in vector.values())


def test_gain_moves_levels_and_nothing_else() -> None:
    loud, soft = measure(dying_sine(peak=0.5)).quantities, measure(dying_sine(peak=0.05)).quantities
    for key, value in loud.items():
        moved = 20.0 if key in LEVEL - {"crest_db"} else 0.0
        assert value is not None
        assert soft[key] == pytest.approx(value - moved, abs=1e-3), key


def test_level_window_too_short_for_bands_is_not_called_a_strum_cut_short() -> None:
    strum = measure(dying_sine(), settings=MeasureSettings(level_window_s=(0.0, 0.05)))
    assert strum.quantities["rms_dbfs"] is not None
    assert strum.quantities["bass_db"] is None
    assert "shorter than the 0.1 s" in strum.reasons["bass_db"]
    assert cut_short(strum) == []


def hiss(rms_dbfs: float, size: int, seed: int = 3) -> FloatArray:
    return 10 ** (rms_dbfs / 20) * np.random.default_rng(seed).standard_normal(size)


def over_noise(samples: FloatArray, noise: FloatArray) -> Strum:
    """A strum in noise that was heard by itself for 3 s as well."""
    stretches = QuietStretches(RATE_HZ)
    stretches.feed(noise[: 3 * RATE_HZ])
    channel = OneChannel(ArraySource(samples + noise[-samples.size :], RATE_HZ), 0)
    times = StrumTimes(ONSET, samples.size, "next")
    return measure_strum(channel, 1, times, MeasureSettings(), stretches.noise())[0]


def test_band_that_is_not_above_its_noise_is_not_told_and_the_others_are_read_without_it() -> None:
    """Partials 12 dB apart over hiss 40 dB down: within 0.3 dB of what they are without it, wherever told."""
    clean = np.sum(
        [10 ** (-12 * k / 20) * dying_sine(hz) for k, hz in enumerate((220.0, 880.0, 3520.0, 7040.0))], axis=0
    )
    alone = measure(clean)
    errors: dict[str, list[float]] = {}
    for seed in range(6):
        found = over_noise(clean, hiss(-50.0, clean.size + 3 * RATE_HZ, seed))
        for name, key in (("octave_db", "octave_db"), ("third_octave_db", "third_octave_db")):
            for part, level in getattr(found, key).items():
                if level is None:
                    assert "less than 6 dB above the noise" in found.reasons[f"{name}_{part}"]
                else:
                    errors.setdefault(f"{name} {part}", []).append(level - getattr(alone, key)[part])
    assert {"octave_db 250", "octave_db 1000", "octave_db 4000", "octave_db 8000"} <= set(errors)
    assert not {"third_octave_db 12500", "third_octave_db 16000"} & set(errors)
    assert max(abs(float(np.mean(values))) for values in errors.values()) < 0.3


def test_noise_that_fills_all_bands_leaves_no_tone() -> None:
    clean = 0.003 * dying_sine()
    found = over_noise(clean, hiss(-62.0, clean.size + 3 * RATE_HZ))
    assert found.quantities["bass_db"] is None
    assert set(found.octave_db.values()) == {None}
    assert found.reasons["centroid_hz"] == found.reasons["octave_db_63"] == spectrum.ALL_IN_NOISE


def test_attack_over_body_is_read_without_the_noise_or_not_at_all() -> None:
    clean = dying_sine()
    alone = measure(clean).quantities["attack_body_db"]
    for level_dbfs in (-40.0, -22.0):
        found = over_noise(clean, hiss(level_dbfs, clean.size + 3 * RATE_HZ)).quantities["attack_body_db"]
        assert found == pytest.approx(alone, abs=0.15)
    loud = over_noise(clean, hiss(-12.0, clean.size + 3 * RATE_HZ))
    assert loud.quantities["attack_body_db"] is None
    assert loud.reasons["attack_body_db"] == BODY_IN_NOISE


def test_recording_that_begins_within_the_rise_says_so() -> None:
    channel = OneChannel(ArraySource(dying_sine()[ONSET:], RATE_HZ), 0)
    strum, _ = measure_strum(channel, 1, StrumTimes(0, 4 * RATE_HZ, "next"), MeasureSettings(), silent_noise())
    assert strum.quantities["attack_ms"] is None
    assert strum.reasons["attack_ms"] == BEGINS_IN_FILE


def test_silent_body_window_is_what_is_silent() -> None:
    samples = dying_sine()
    samples[ONSET + RATE_HZ // 2 :] = 0.0
    strum = measure(samples, settings=MeasureSettings(body_window_s=(1.0, 1.2)))
    assert strum.reasons["attack_body_db"] == BODY_SILENT


@pytest.mark.parametrize("block_s", [0.0213, 0.7, 30.0])
def test_blocks_that_a_strum_is_read_in_change_nothing(block_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    before = measure(dying_sine())
    monkeypatch.setattr(one_strum, "BLOCK_S", block_s)
    after = measure(dying_sine())
    assert after.quantities == pytest.approx(before.quantities, rel=1e-12)
    assert after.band_decay_db_per_s == pytest.approx(before.band_decay_db_per_s, rel=1e-6)


def test_times_are_those_of_the_file() -> None:
    strum = measure(dying_sine(), 3.0)
    assert (strum.number, strum.onset_s, strum.end_s, strum.ended_by) == (1, 0.5, 3.0, "next")
