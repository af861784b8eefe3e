"""Quiet stretches: how they add up, and what is None when there is nothing to hear."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.noise import DIGITAL_SILENCE, NOTHING, Noise, QuietStretches
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 25_000


def heard(*stretches: FloatArray, rate_hz: int = RATE_HZ) -> Noise:
    quiet = QuietStretches(rate_hz)
    for stretch in stretches:
        quiet.feed(stretch)
    return quiet.noise()


def white(count: int, seed: int = 0) -> FloatArray:
    return 1e-3 * np.random.default_rng(seed).standard_normal(count)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-40.0, 20.0))
def test_gain_moves_every_level_by_itself(gain_db: float) -> None:
    hum = 1e-3 * np.sin(2 * np.pi * 50 * np.arange(2 * RATE_HZ) / RATE_HZ)
    samples = white(2 * RATE_HZ) + hum
    before, after = heard(samples), heard(samples * -(10 ** (gain_db / 20)))
    assert before.hum_hz == after.hum_hz == 50
    for name in ("noise_dbfs", "noise_dba_dbfs", "hum_dbfs"):
        assert getattr(after, name) == pytest.approx(getattr(before, name) + gain_db, abs=1e-6), name


def test_stretches_of_any_length_add_up() -> None:
    """The level is that of all samples together; short stretches count by their length."""
    parts = [white(3000, 1), 3 * white(60_000, 2), white(14_000, 3), 2 * white(26_000, 4)]
    together = np.concatenate(parts)
    measured = heard(*parts)
    assert measured.noise_dbfs == pytest.approx(10 * np.log10(float(np.var(together))), abs=1e-9)
    assert measured.duration_s == pytest.approx(together.size / RATE_HZ)


def test_stretch_below_50_ms_is_passed_over() -> None:
    assert heard(white(1249)).duration_s == 0.0
    assert heard(white(1250)).duration_s == pytest.approx(0.05)


def test_nothing_quiet_gives_nothing_and_says_so() -> None:
    measured = heard()
    assert (measured.noise_dbfs, measured.hum_hz, measured.dc_offset, measured.power) == (None, None, None, 0.0)
    assert measured.reasons["noise_dbfs"] == NOTHING
    assert set(measured.band_power.values()) == {None}


@pytest.mark.parametrize("level", [0.0, 0.01, -0.3])
def test_digital_silence_has_no_level_whatever_its_offset(level: float) -> None:
    measured = heard(np.full(2 * RATE_HZ, level))
    assert (measured.noise_dbfs, measured.noise_dba_dbfs, measured.hum_hz) == (None, None, None)
    assert measured.reasons["hum_dbfs"] == DIGITAL_SILENCE
    assert measured.dc_offset == pytest.approx(level)
    assert set(measured.band_power.values()) == {0.0}


def test_hum_is_not_looked_for_below_half_a_second() -> None:
    measured = heard(np.sin(2 * np.pi * 50 * np.arange(12_000) / RATE_HZ))
    assert measured.hum_hz is None
    assert measured.reasons["hum_hz"] == "hum needs a quiet stretch of 0.5 s or more"


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 47_999])
def test_hum_is_found_at_odd_sample_rates(rate_hz: int) -> None:
    hum = 1e-3 * np.sin(2 * np.pi * 60 * np.arange(3 * rate_hz) / rate_hz)
    measured = heard(hum + 1e-2 * white(3 * rate_hz), rate_hz=rate_hz)
    assert measured.hum_hz == 60
    assert measured.hum_dbfs == pytest.approx(-63.01, abs=0.05)
