"""What must not change a measurement, and by how much it may: gain, polarity, time, silence, sample rate, channels,
dither.

TOLERANCES says it for every quantity in one table; run with -s for the largest deviations seen.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from coilbench_worker.measure.results import TakeMeasurement
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, FloatArray, RecordingFacts
from coilbench_worker.model.chain import Chain
from material.corpus import SINGLE, hands
from material.plain_take import PLAIN, measured, rendered

RATE_HZ, HIGH_RATE_HZ = 44_100, 96_000
UP, DOWN = 320, 147
"""96 kHz over 44.1 kHz."""

pytestmark = pytest.mark.xdist_group("invariance")

HUMMED = replace(
    PLAIN,
    pickup=SINGLE,
    strums=hands(2, 3.5, seed=71, stop_after_s=2.8),
    duration_s=8.0,
    chain=Chain(input_gain_db=8.0, hiss_dbfs=-78.0, hum_hz=50.0, hum_dbfs=-64.0),
)
TAKES = {"plain": PLAIN, "hummed": HUMMED}
LEVELS = {
    "peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "rms_energy_dbfs", "loudness_integrated_lufs",
    "noise_dbfs", "noise_dba_dbfs", "hum_dbfs",
}  # fmt: skip
"""What moves with the gain, dB by dB; all else stays."""


@dataclass(frozen=True)
class Tolerance:
    """Largest difference allowed for one quantity, in `unit` ("%" of the value).

    `exact`: gain, polarity and order of channels; `moved`: in time and among silence; `rate`: 44.1 against 96 kHz;
    `dither`: triangular noise of two steps, 16 or 24 bits.
    """

    unit: str
    exact: float
    moved: float
    rate: float
    dither: float


TOLERANCES = {
    #                                    unit  exact  moved  rate   dither
    "onset_s": Tolerance("s", 1e-9, 0.002, 0.002, 0.001),
    "end_s": Tolerance("s", 0.009, 0.03, 0.03, 0.03),
    "peak_dbfs": Tolerance("dB", 1e-6, 0.01, 0.05, 0.01),
    "true_peak_dbtp": Tolerance("dB", 1e-6, 0.01, 0.02, 0.01),
    "rms_dbfs": Tolerance("dB", 1e-6, 0.01, 0.01, 0.005),
    "loudness_lufs": Tolerance("dB", 1e-6, 0.01, 0.02, 0.005),
    "crest_db": Tolerance("dB", 1e-6, 0.01, 0.05, 0.01),
    "attack_ms": Tolerance("%", 1e-4, 0.5, 1.0, 1.0),
    "attack_body_db": Tolerance("dB", 1e-6, 0.02, 0.02, 0.02),
    "decay_db_per_s": Tolerance("%", 1e-4, 1.0, 1.0, 1.0),
    "sustain_20_s": Tolerance("%", 1e-4, 2.0, 2.0, 2.0),
    "hold_1s_db": Tolerance("dB", 1e-6, 0.1, 0.1, 0.1),
    "band_decay_db_per_s": Tolerance("%", 1e-3, 2.0, 2.0, 2.0),
    "bass_db": Tolerance("dB", 1e-4, 0.01, 0.01, 0.01),
    "middle_db": Tolerance("dB", 1e-4, 0.01, 0.01, 0.01),
    "treble_db": Tolerance("dB", 1e-4, 0.01, 0.02, 0.01),
    "octave_db": Tolerance("dB", 1e-4, 0.05, 0.05, 0.05),
    "third_octave_db": Tolerance("dB", 1e-3, 0.5, 0.2, 0.5),
    "centroid_hz": Tolerance("%", 1e-4, 0.1, 0.1, 0.1),
    "tilt_db_per_octave": Tolerance("dB", 1e-4, 0.01, 0.01, 0.01),
    "evenness_db": Tolerance("dB", 1e-6, 0.01, 0.01, 0.01),
    "rms_energy_dbfs": Tolerance("dB", 1e-6, 0.01, 0.01, 0.005),
    "loudness_integrated_lufs": Tolerance("dB", 0.3, 0.3, 0.05, 0.01),
    "noise_dbfs": Tolerance("dB", 1e-6, 0.3, 0.5, 0.5),
    "noise_dba_dbfs": Tolerance("dB", 1e-3, 0.2, 0.2, 0.5),
    "hum_hz": Tolerance("Hz", 0.0, 0.0, 0.0, 0.0),
    "hum_dbfs": Tolerance("dB", 1e-3, 0.05, 0.05, 0.05),
    "snr_db": Tolerance("dB", 1e-6, 0.3, 0.5, 0.5),
    "dc_offset": Tolerance("of full scale", 1e-9, 1e-4, 1e-4, 1e-4),
}

"""Sustain is the first time that a level which beats is 20 dB down. The absolute gate of integrated loudness, -70 LUFS,
does not move with the gain, and its blocks of 0.4 s lie elsewhere in a take that begins elsewhere.
"""

seen: dict[tuple[str, str], float] = {}


@pytest.fixture(scope="module", autouse=True)
def _largest() -> Iterator[None]:
    """Print the largest deviations, once all tests of the module have run."""
    yield
    print("\nlargest deviations seen (allowed)")
    kinds = ("exact", "moved", "rate", "dither")
    for key, allowed in TOLERANCES.items():
        shown = (f"{kind} {seen.get((key, kind), 0.0):.2g} ({getattr(allowed, kind):g})" for kind in kinds)
        print(f"{key:26} {allowed.unit:13} {', '.join(shown)}")


@lru_cache(maxsize=8)
def samples_of(name: str, rate_hz: int = RATE_HZ) -> FloatArray:
    return rendered(TAKES[name], rate_hz).samples


@lru_cache(maxsize=8)
def measurement(name: str, rate_hz: int = RATE_HZ) -> TakeMeasurement:
    return measured(samples_of(name, rate_hz), rate_hz)


def assert_alike(
    before: TakeMeasurement,
    after: TakeMeasurement,
    kind: str,
    *,
    gain_db: float = 0.0,
    later_s: float = 0.0,
    codes: frozenset[str] = frozenset(),
) -> None:
    """Every quantity as before within its tolerance, None where it was None; the same checks but for `codes`."""
    assert len(after.strums) == len(before.strums)
    for (key, part, was), (other_key, other_part, now) in zip(values(before), values(after), strict=True):
        assert (key, part) == (other_key, other_part)
        at_limit = kind != "exact" and key == "third_octave_db"  # 6 dB above the noise, which is not quite the same
        assert (was is None) == (now is None) or at_limit, (key, part, was, now)
        if was is None or now is None:
            continue
        expected = was + (gain_db if key in LEVELS else later_s if key in {"onset_s", "end_s"} else 0.0)
        if key == "dc_offset":
            expected *= 10 ** (gain_db / 20)
        allowed = TOLERANCES[key]
        apart = abs(now - expected) * (100.0 / abs(expected) if allowed.unit == "%" else 1.0)
        seen[key, kind] = max(seen.get((key, kind), 0.0), apart)
        assert apart <= getattr(allowed, kind), (key, part, was, now)
    for strum, other in zip(before.strums, after.strums, strict=True):
        cut = kind == "moved" and strum.ended_by == "file-end"  # what rings until silence begins was stopped
        assert other.ended_by == strum.ended_by or (cut and other.ended_by == "damped")
        assert {key for key in set(strum.reasons) ^ set(other.reasons) if not key.startswith("third_octave")} == set()
    assert {check.code for check in after.checks} - codes == {check.code for check in before.checks}


def values(found: TakeMeasurement) -> Iterator[tuple[str, str, float | None]]:
    """Everything measured: key, strum and part, value."""
    for strum in found.strums:
        yield "onset_s", str(strum.number), strum.onset_s
        yield "end_s", str(strum.number), strum.end_s
        for key, value in strum.quantities.items():
            yield key, str(strum.number), value
        for key in ("octave_db", "third_octave_db", "band_decay_db_per_s"):
            for part, value in getattr(strum, key).items():
                yield key, f"{strum.number} {part}", value
    for key, value in {**found.take_quantities, **found.noise}.items():
        yield key, "", value


names = st.sampled_from(sorted(TAKES))


def test_the_table_names_every_quantity_that_is_measured() -> None:
    assert {key for key, _, _ in values(measurement("plain"))} == set(TOLERANCES)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(name=names, gain_db=st.floats(-25.0, 6.0), polarity=st.sampled_from([1, -1]))
def test_gain_moves_the_levels_by_itself_and_nothing_else(name: str, gain_db: float, polarity: int) -> None:
    """Between a peak of -40 dBFS, below which `too-quiet` is raised, and full scale."""
    changed = measured(polarity * 10 ** (gain_db / 20) * samples_of(name), RATE_HZ)
    before = measurement(name)
    offset = before.noise["dc_offset"]
    assert offset is not None
    turned = replace(before, noise={**before.noise, "dc_offset": polarity * offset})
    assert_alike(turned, changed, "exact", gain_db=gain_db)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(name=names, frames=st.integers(-15_000, 50_000), before=st.booleans())
def test_time_moves_the_onsets_by_itself_and_nothing_else(name: str, frames: int, before: bool) -> None:
    """Up to 0.34 s of the lead-in cut off, or up to 1.1 s of digital silence added before or after."""
    samples = samples_of(name)
    zeros = np.zeros(max(frames, 0))
    moved = samples[-frames:] if frames < 0 else np.concatenate((zeros, samples) if before else (samples, zeros))
    later_s = frames / RATE_HZ if frames < 0 or before else 0.0
    silent = frozenset({"digital-silence"})
    assert_alike(measurement(name), measured(moved, RATE_HZ), "moved", later_s=later_s, codes=silent)


@pytest.mark.parametrize("name", TAKES)
def test_sample_rate_changes_nothing_that_matters(name: str) -> None:
    """44.1 kHz resampled to 96 kHz and that back again; the noise has no more above 22 kHz than before."""
    low = samples_of(name)
    high = resample_poly(low, UP, DOWN, window=("kaiser", 12.0))
    back = resample_poly(high, DOWN, UP, window=("kaiser", 12.0))[: low.size]
    measured_high = measured(high, HIGH_RATE_HZ)
    assert_alike(measurement(name), measured_high, "rate")
    assert_alike(measured_high, measured(back, RATE_HZ), "rate")


@settings(max_examples=4, deadline=None, derandomize=True)
@given(name=names, order=st.permutations(range(3)))
def test_order_of_the_channels_changes_nothing(name: str, order: list[int]) -> None:
    """The take beside two channels 60 dB below it, by itself and asked for."""
    hiss = 1e-4 * np.random.default_rng(3).standard_normal((2, samples_of(name).size))
    channels = np.stack((samples_of(name), *(0.1 * hiss)), axis=1)[:, order]
    at = order.index(0)
    for asked in (None, at + 1):
        found = measured(channels, RATE_HZ, settings=MeasureSettings(channel=asked))
        assert found.audio.channel_used == at + 1
        noted = frozenset({"channel-choice"}) if asked is None else frozenset()
        assert_alike(measurement(name), found, "exact", codes=noted)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(name=names, bits=st.sampled_from([16, 24]), seed=st.integers(0, 1000))
def test_dither_changes_nothing_that_matters(name: str, bits: int, seed: int) -> None:
    """Rounded to integers after triangular noise of two steps: -96.3 dBFS in 16 bits (checkvalues.md, 5)."""
    random, steps = np.random.default_rng(seed), 2.0 ** (bits - 1)
    dither = random.uniform(-0.5, 0.5, (2, samples_of(name).size)).sum(axis=0)
    rounded = np.round(samples_of(name) * steps + dither) / steps
    facts = RecordingFacts(f"pcm_s{bits}", "wav", bits)
    assert_alike(measurement(name), measured(rounded, RATE_HZ, facts=facts), "dither")


def test_float_facts_are_what_the_others_are_compared_with() -> None:
    assert measurement("plain") == measured(samples_of("plain"), RATE_HZ, facts=FLOAT_FACTS)
