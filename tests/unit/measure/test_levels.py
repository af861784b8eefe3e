"""Levels: silence is None, gain moves them exactly, nothing is subtracted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from coilbench_worker.measure.levels import (
    crest_db,
    dc_offset,
    energy_average_dbfs,
    level_difference_db,
    peak_dbfs,
    power,
    power_db,
    rms_dbfs,
)
from coilbench_worker.measure.source import FloatArray

SIGNALS = arrays(
    np.float64, st.integers(2, 200), elements=st.floats(-1.0, 1.0, allow_subnormal=False, allow_nan=False)
).filter(lambda samples: float(np.max(np.abs(samples))) > 1e-3)


@given(samples=SIGNALS, gain_db=st.floats(-60.0, 20.0))
def test_gain_moves_levels_by_itself_and_leaves_the_crest(samples: FloatArray, gain_db: float) -> None:
    louder = samples * 10 ** (gain_db / 20)
    for level in (peak_dbfs, rms_dbfs):
        before, after = level(samples), level(louder)
        assert before is not None
        assert after == pytest.approx(before + gain_db, abs=1e-9)
    assert crest_db(louder) == pytest.approx(crest_db(samples), abs=1e-9)


@given(samples=SIGNALS)
def test_polarity_changes_no_level(samples: FloatArray) -> None:
    assert peak_dbfs(-samples) == peak_dbfs(samples)
    assert rms_dbfs(-samples) == rms_dbfs(samples)
    assert dc_offset(-samples) == -dc_offset(samples)


@given(samples=SIGNALS)
def test_rms_never_exceeds_the_peak(samples: FloatArray) -> None:
    crest = crest_db(samples)
    assert crest is not None
    assert crest >= -1e-9


def test_silence_has_no_level() -> None:
    silence = np.zeros(100)
    assert peak_dbfs(silence) is None
    assert rms_dbfs(silence) is None
    assert crest_db(silence) is None
    assert level_difference_db(np.ones(4), silence) is None
    assert level_difference_db(silence, np.ones(4)) is None
    assert power_db(0.0) is None
    assert energy_average_dbfs([]) is None


def test_no_samples_are_an_error() -> None:
    for level in (peak_dbfs, rms_dbfs, power, dc_offset):
        with pytest.raises(ValueError, match="no samples"):
            level(np.zeros(0))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_not_finite_are_an_error(bad: float) -> None:
    with pytest.raises(ValueError, match="not finite"):
        rms_dbfs(np.array([0.1, bad, 0.2]))


def test_energy_average_lies_above_the_mean_of_levels() -> None:
    assert energy_average_dbfs([1.0, 0.01]) == pytest.approx(-2.967, abs=1e-3)  # 10 log10 0.505; the mean is -10 dB


def test_level_difference_is_that_of_the_rms_levels() -> None:
    assert level_difference_db(np.full(7, 0.5), np.full(11, -0.25)) == pytest.approx(6.0206, abs=1e-4)
