"""A whole take: every check raised where it should be and nowhere else, and what must not change a measurement."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.measure.results import TakeMeasurement, Unmeasurable
from coilbench_worker.measure.settings import MeasureSettings, from_document
from coilbench_worker.measure.source import FLOAT_FACTS, FloatArray, RecordingFacts
from coilbench_worker.measure.version import MEASURE_VERSION
from coilbench_worker.model.chain import hum
from material.corpus import hands
from material.disturbance import thumps
from material.plain_take import (
    CHAIN,
    PLAIN,
    RATE_HZ,
    changed,
    checks_of,
    measured,
    plain_measurement,
    plain_samples,
    rendered,
)
from material.processing import Compressor, Gate

FRAMES = 2 * RATE_HZ
DEFAULTS = MeasureSettings()
SIXTEEN = RecordingFacts("pcm_s16", "wav", 16)
LEVELS = {"peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs"}


@dataclass(frozen=True)
class Row:
    """A recording, and the severity with which `code` is raised; None: it is not."""

    code: str
    what: str
    severity: str | None
    make: Callable[[], FloatArray]
    facts: RecordingFacts = FLOAT_FACTS
    settings: MeasureSettings = DEFAULTS
    rate_hz: int = RATE_HZ


def decibels(gain_db: float) -> float:
    return float(10 ** (gain_db / 20))


def at_gain(gain_db: float) -> Callable[[], FloatArray]:
    return lambda: plain_samples() * decibels(gain_db)


def clipped_at(ceiling: float, gain_db: float = 12.0) -> Callable[[], FloatArray]:
    return lambda: np.clip(plain_samples() * decibels(gain_db), -ceiling, ceiling)


def sixteen_bits(samples: FloatArray) -> FloatArray:
    return np.clip(np.round(samples * 32768), -32768, 32767) / 32768


def hum_at(hertz: float, dbfs: float) -> Callable[[], FloatArray]:
    return lambda: changed(chain=replace(CHAIN, hum_hz=hertz, hum_dbfs=dbfs)).samples


def hiss_at(dbfs: float) -> Callable[[], FloatArray]:
    return lambda: changed(chain=replace(CHAIN, hiss_dbfs=dbfs)).samples


def played(count: int, gap_s: float, *forces_db: float) -> Callable[[], FloatArray]:
    return lambda: changed(hands(count, gap_s, seed=80, forces_db=forces_db or (0.0,))).samples


def compressed(over_db: float, ratio: float) -> Callable[[], FloatArray]:
    threshold_dbfs = 20.0 * float(np.log10(np.max(np.abs(plain_samples())))) - over_db
    return lambda: Compressor(threshold_dbfs, ratio).processed(plain_samples(), RATE_HZ)


def gated(samples: FloatArray) -> FloatArray:
    return Gate(threshold_dbfs=-22.0).processed(samples, RATE_HZ) + noise(-100.0, samples.size)


def zeroed(start_s: float, stop_s: float) -> Callable[[], FloatArray]:
    def make() -> FloatArray:
        samples = plain_samples().copy()
        samples[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)] = 0.0
        return samples

    return make


def beside(other: Callable[[FloatArray], FloatArray]) -> Callable[[], FloatArray]:
    return lambda: np.stack((plain_samples(), other(plain_samples())), axis=1)


def spoiled(value: float) -> Callable[[], FloatArray]:
    def make() -> FloatArray:
        samples = plain_samples().copy()
        samples[200_000] = value
        return samples

    return make


def noise(rms_dbfs: float, frames: int = FRAMES) -> FloatArray:
    return decibels(rms_dbfs) * np.random.default_rng(12).standard_normal(frames)


def at_rate(rate_hz: int) -> Callable[[], FloatArray]:
    return lambda: rendered(PLAIN, rate_hz).samples


def only(*values: float) -> Callable[[], FloatArray]:
    return lambda: np.array(values)


def asking(**values: int) -> MeasureSettings:
    return from_document(values)


def truncated(missing: bool) -> RecordingFacts:
    return replace(SIXTEEN, declared_frames=500_000, truncated=missing, missing_bytes=232_000 if missing else 0)


ROWS = [
    Row("clipped", "10 dB too hot, at full scale", "reject", lambda: sixteen_bits(clipped_at(1.0)()), SIXTEEN),
    Row("clipped", "floating point at full scale", "reject", clipped_at(1.0)),
    Row("clipped", "flat tops at -6 dBFS", "reject", clipped_at(0.5)),
    Row("clipped", "peaks at -0.1 dBFS", None, at_gain(6.7)),
    Row("clipped", "peaks at -0.1 dBFS, 16 bits", None, lambda: sixteen_bits(at_gain(6.7)()), SIXTEEN),
    Row("clipped", "peaks at -50 dBFS, 16 bits", None, lambda: sixteen_bits(at_gain(-43.0)()), SIXTEEN),
    Row("dc-offset", "-34 dBFS", "caution", lambda: plain_samples() + 0.02),
    Row("dc-offset", "-54 dBFS, negative", "note", lambda: plain_samples() - 0.002),
    Row("dc-offset", "-66 dBFS", None, lambda: plain_samples() + 0.0005),
    Row("hum", "50 Hz, 30 dB below", "caution", hum_at(50.0, -50.0)),
    Row("hum", "60 Hz, 42 dB below", "note", hum_at(60.0, -62.0)),
    Row("hum", "65 dB below", None, hum_at(50.0, -85.0)),
    Row("noisy", "10 dB below", "reject", hiss_at(-30.0)),
    Row("noisy", "25 dB below", "caution", hiss_at(-45.0)),
    Row("noisy", "35 dB below", "note", hiss_at(-55.0)),
    Row("noisy", "45 dB below", None, hiss_at(-65.0)),
    Row("too-quiet", "peaks at -47 dBFS", "caution", at_gain(-40.0)),
    Row("too-quiet", "peaks at -37 dBFS", None, at_gain(-30.0)),
    Row("strum-count", "four expected of three", "caution", plain_samples, settings=asking(expected_strums=4)),
    Row("strum-count", "three expected of three", None, plain_samples, settings=asking(expected_strums=3)),
    Row("strum-count", "nothing expected", None, plain_samples),
    Row("strum-cut-short", "0.4 s apart", "caution", played(4, 0.4)),
    Row("strum-cut-short", "2 s apart", None, played(3, 2.0)),
    Row("uneven-strums", "every other 8 dB softer", "caution", played(4, 2.0, 0.0, -8.0)),
    Row("uneven-strums", "every other 1 dB softer", None, played(4, 2.0, 0.0, -1.0)),
    Row("digital-silence", "between strums", "caution", zeroed(2.3, 2.6)),
    Row("digital-silence", "before the first", "note", zeroed(0.0, 0.3)),
    Row("digital-silence", "10 ms of zeros", None, zeroed(2.3, 2.31)),
    Row("limited", "20 dB over the threshold of a limiter", "caution", compressed(20.0, inf)),
    Row("limited", "20 dB over the threshold of a gain control of 1.3:1", None, compressed(20.0, 1.3)),
    Row("limited", "a gate shuts off the hiss", "caution", lambda: gated(hiss_at(-66.0)())),
    Row("too-short", "a single sample", "reject", only(0.1)),
    Row("too-short", "0.3 s", "reject", lambda: plain_samples()[28_800:43_200]),
    Row("too-short", "0.6 s", None, lambda: plain_samples()[28_000:56_800]),
    Row("channel-choice", "two that differ", "reject", beside(lambda x: np.roll(x, 4800))),
    Row("channel-choice", "one that hisses only", "note", beside(lambda x: noise(-85.0, x.size))),
    Row("channel-choice", "two alike", "note", beside(lambda x: x)),
    Row("channel-choice", "one asked for", None, beside(lambda x: np.roll(x, 4800)), settings=asking(channel=2)),
    Row("channel-choice", "one that isn't there", "reject", beside(lambda x: x), settings=asking(channel=3)),
    Row("channel-choice", "the second of one", "reject", plain_samples, settings=asking(channel=2)),
    Row("not-finite", "not a number", "reject", spoiled(np.nan)),
    Row("not-finite", "infinite", "reject", spoiled(-np.inf)),
    Row("not-finite", "very large", None, spoiled(1e6)),
    Row("truncated-file", "cut short", "caution", lambda: sixteen_bits(plain_samples()), truncated(True)),
    Row("truncated-file", "whole", None, lambda: sixteen_bits(plain_samples()), truncated(False)),
    Row("low-sample-rate", "22.05 kHz", "caution", at_rate(22_050), rate_hz=22_050),
    Row("low-sample-rate", "32 kHz", "note", at_rate(32_000), rate_hz=32_000),
    Row("low-sample-rate", "44.1 kHz", None, at_rate(44_100), rate_hz=44_100),
    Row("no-strums", "silence", "reject", lambda: np.zeros(FRAMES)),
    Row("no-strums", "hiss", "reject", lambda: noise(-50.0)),
    Row("no-strums", "hum", "reject", lambda: hum(FRAMES, RATE_HZ, hum_hz=50, rms_dbfs=-30) + noise(-85.0)),
    Row("no-strums", "direct current", "reject", lambda: np.full(FRAMES, 0.1)),
    Row("no-strums", "a click", "reject", lambda: np.where(np.arange(FRAMES) == RATE_HZ, 0.5, noise(-85.0))),
    Row("no-strums", "thumps", "reject", lambda: thumps(FRAMES, RATE_HZ, (0.5, 1.2), 0, 0.2) + noise(-85.0)),
    Row("no-strums", "strums", None, plain_samples),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.code}: {row.what}")
def test_check_is_raised_where_it_should_be_and_only_there(row: Row) -> None:
    found = checks_of(row.make(), row.rate_hz, facts=row.facts, settings=row.settings)
    assert [check.severity for check in found if check.code == row.code] == ([row.severity] if row.severity else [])


def test_plain_take_raises_no_check_at_all() -> None:
    assert plain_measurement().checks == ()


def test_every_check_that_a_recording_can_raise_is_in_the_table_both_ways() -> None:
    raised = {row.code for row in ROWS if row.severity}
    assert {kind.code for kind in CHECKS} - raised == {"gain-unknown", "gain-uncalibrated"}  # of the description
    assert {row.code for row in ROWS if row.severity is None} == raised


def test_reason_for_no_measurement_is_the_last_check_and_earlier_ones_are_kept() -> None:
    with pytest.raises(Unmeasurable, match="is silent") as caught:
        measured(np.zeros(FRAMES), 22_050, facts=truncated(True))
    codes = [check.code for check in caught.value.checks]
    assert codes[:2] == ["truncated-file", "low-sample-rate"]
    assert codes[-1] == "no-strums"


def test_strums_cut_short_name_what_is_empty() -> None:
    found = measured(played(4, 0.4)())
    (check,) = [check for check in found.checks if check.code == "strum-cut-short"]
    for strum in found.strums:
        short = strum.end_s - strum.onset_s < 0.5
        assert (strum.quantities["rms_dbfs"] is None) is short
        assert (strum.number in check.strums) is short or strum.ended_by == "file-end"
    assert "rms_dbfs" in str(check.values["empty"])
    assert "rms_dbfs" in check.message


def test_clipped_check_names_the_strums_that_clip() -> None:
    samples = plain_samples().copy()
    second = round(rendered().truth.onsets_s[1] * RATE_HZ)
    samples[second : second + 48_000] = np.clip(12.0 * samples[second : second + 48_000], -1.0, 1.0)
    (check,) = [check for check in checks_of(samples) if check.code == "clipped"]
    assert check.strums == (2,)


def test_take_that_a_check_rejects_is_measured_all_the_same() -> None:
    found = measured(clipped_at(1.0)())
    assert len(found.strums) == 3


def worst(first: TakeMeasurement, second: TakeMeasurement, gain_db: float = 0.0) -> dict[str, float]:
    """Largest difference of each quantity over the strums, the gain taken off; infinite where only one is empty."""
    assert len(first.strums) == len(second.strums)
    differences: dict[str, float] = {}
    for one, other in zip(first.strums, second.strums, strict=True):
        for key, value in one.quantities.items():
            moved = other.quantities[key]
            if value is None and moved is None:
                continue
            expected_db = gain_db if key in LEVELS else 0.0
            apart = np.inf if value is None or moved is None else abs(moved - value - expected_db)
            differences[key] = max(differences.get(key, 0.0), apart)
    return differences


LIMITS = {
    "centroid_hz": 6.0, "attack_ms": 0.1, "decay_db_per_s": 0.1, "sustain_20_s": 0.02, "hold_1s_db": 0.3,
}  # fmt: skip


def assert_alike(differences: dict[str, float], factor: float = 1.0) -> None:
    for key, apart in differences.items():
        assert apart <= factor * LIMITS.get(key, 0.1), (key, apart)


@settings(max_examples=6, deadline=None)
@given(gain_db=st.floats(-20.0, 6.0), polarity=st.sampled_from([1, -1]))
def test_gain_moves_the_levels_and_polarity_moves_nothing(gain_db: float, polarity: int) -> None:
    moved = measured(polarity * decibels(gain_db) * plain_samples())
    assert_alike(worst(plain_measurement(), moved, gain_db), 0.2)


@pytest.mark.parametrize("offset", [0.02, -0.02])
def test_offset_changes_neither_dynamics_nor_tone(offset: float) -> None:
    """Levels are read with the offset in them, and a check says so."""
    differences = worst(plain_measurement(), measured(plain_samples() + offset))
    told = {"decay_db_per_s", "sustain_20_s", "hold_1s_db", "bass_db", "middle_db", "treble_db", "centroid_hz"}
    assert_alike({key: apart for key, apart in differences.items() if key in told})


@settings(max_examples=6, deadline=None)
@given(cut=st.one_of(st.integers(1, 383), st.integers(384, 20_000)))
def test_when_the_recording_was_started_changes_nothing(cut: int) -> None:
    """Less than a hop of the survey, or more: onsets within 1 ms, quantities within the limits."""
    moved = measured(plain_samples()[cut:])
    for strum, before in zip(moved.strums, plain_measurement().strums, strict=True):
        assert strum.onset_s + cut / RATE_HZ == pytest.approx(before.onset_s, abs=0.001)
    assert_alike(worst(plain_measurement(), moved))


@pytest.mark.parametrize("seconds", [0.0047, 1.0, 20.0])
@pytest.mark.parametrize("padding", ["silence", "noise"])
def test_what_is_put_before_the_take_changes_nothing(padding: str, seconds: float) -> None:
    frames = round(seconds * RATE_HZ)
    lead = np.zeros(frames) if padding == "silence" else noise(-82.0, frames)
    moved = measured(np.concatenate((lead, plain_samples())))
    for strum, before in zip(moved.strums, plain_measurement().strums, strict=True):
        assert strum.onset_s - frames / RATE_HZ == pytest.approx(before.onset_s, abs=0.001)
    assert_alike(worst(plain_measurement(), moved))


@pytest.mark.parametrize("at", [0, 1, 2])
def test_order_of_the_channels_changes_nothing_but_the_channel(at: int) -> None:
    channels = [noise(-90.0, plain_samples().size)] * 3
    channels[at] = plain_samples()
    found = measured(np.stack(channels, axis=1))
    assert found.audio.channel_used == at + 1
    assert found.strums == plain_measurement().strums
    assert found.noise == plain_measurement().noise
    asked = measured(np.stack(channels, axis=1), settings=MeasureSettings(channel=at + 1))
    assert asked.strums == found.strums


def test_two_sample_rates_of_one_take_agree() -> None:
    """Another hiss is all that differs: levels and tone within 0.05 dB, times within 1 ms, decay within 1 %."""
    low, high = (measured(rendered(PLAIN, rate_hz).samples, rate_hz) for rate_hz in (44_100, 96_000))
    differences = worst(low, high)
    print({key: round(value, 4) for key, value in differences.items()})
    for one, other in zip(low.strums, high.strums, strict=True):
        assert one.onset_s == pytest.approx(other.onset_s, abs=0.001)
        assert one.ended_by == other.ended_by
        for part, level in one.octave_db.items():
            assert level == pytest.approx(other.octave_db[part], abs=0.05), part
    assert_alike(differences)
    assert high.take_quantities["evenness_db"] == pytest.approx(low.take_quantities["evenness_db"], abs=0.01)


def test_summary_is_that_of_the_strums() -> None:
    found = plain_measurement()
    levels = [strum.quantities["rms_dbfs"] for strum in found.strums]
    entry = found.summary["rms_dbfs"]
    assert not isinstance(entry, dict)
    assert vars_of(entry)["mean"] == pytest.approx(np.mean(np.array(levels, dtype=float)))
    assert vars_of(entry)["n"] == 3
    assert found.take_quantities["evenness_db"] == pytest.approx(np.std(np.array(levels, dtype=float), ddof=1))


def vars_of(entry: object) -> dict[str, float]:
    return {name: getattr(entry, name) for name in ("mean", "sd", "n", "min", "max")}


def test_noise_is_that_of_the_chain() -> None:
    found = plain_measurement().noise
    level, snr = found["noise_dbfs"], found["snr_db"]
    assert level == pytest.approx(-82.0, abs=0.2)
    assert snr == pytest.approx(vars_of(plain_measurement().summary["rms_dbfs"])["mean"] + 82.0, abs=0.2)
    assert found["hum_hz"] is None


def test_direct_current_makes_no_take_cleaner() -> None:
    """0.1 of full scale is as strong as the plain take's strums: as part of their RMS it would add 3 dB to the signal.

    Within 0.1 dB, as a strum's half second has a small mean of its own (0.0007), which the offset multiplies.
    """
    clean, offset = plain_measurement().noise["snr_db"], measured(plain_samples() + 0.1).noise["snr_db"]
    assert clean is not None
    assert offset == pytest.approx(clean, abs=0.1)


def test_recording_is_described() -> None:
    audio = measured(np.stack([plain_samples()] * 2, axis=1), facts=replace(SIXTEEN, container="flac")).audio
    assert (audio.sample_rate_hz, audio.channels, audio.channel_used) == (RATE_HZ, 2, 1)
    assert (audio.duration_s, audio.encoding, audio.container) == (8.0, "pcm_s16", "flac")
    assert plain_measurement().version == MEASURE_VERSION


def test_known_number_that_is_wrong_is_reported_with_the_onsets() -> None:
    found = measured(plain_samples(), settings=MeasureSettings(expected_strums=5))
    (check,) = found.checks
    assert check.code == "strum-count"
    assert check.times_s == tuple(strum.onset_s for strum in found.strums)
    assert dict(check.values) == {"found": 3, "expected": 5}


def test_longer_windows_leave_strums_empty_that_are_too_short_for_them() -> None:
    found = measured(plain_samples(), settings=MeasureSettings(level_window_s=(0.0, 2.5)))
    assert [strum.quantities["rms_dbfs"] is None for strum in found.strums] == [True, True, False]
    (check,) = [check for check in found.checks if check.code == "strum-cut-short"]
    assert check.strums == (1, 2)


@pytest.mark.parametrize("offset", [0.0, 0.003])
def test_direct_current_where_nothing_is_quiet_is_what_was_taken_off_the_strums(offset: float) -> None:
    """Sixteen strums without a pause: their mean is 0.001 of full scale, as each swings to one side; the median of the
    means of 40 ms is nearer to the truth.
    """
    made = changed(hands(16, 0.35, seed=3), tail_s=0.9)
    samples = made.samples[round(made.truth.strums[0].onset_s * RATE_HZ) :]
    assert abs(samples.mean()) > 8e-4
    take = measured(samples + offset)
    assert take.noise["noise_dbfs"] is None
    assert take.noise["dc_offset"] == pytest.approx(offset, abs=0.75 * abs(samples.mean()))
    assert ("dc-offset" in {check.code for check in take.checks}) == (offset > 0)
