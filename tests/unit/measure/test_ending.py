"""How strums end: on courses whose end is known, and on modelled strings."""

from dataclasses import replace

import numpy as np
import pytest

from coilbench_worker.measure.ending import ending
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import BANDS, Survey
from coilbench_worker.model.chain import Chain
from material.corpus import hands
from material.plain_take import CHAIN, changed, measured

HOP, RATE_HZ = 384, 48_000
NOISE = 1e-8


def course(level_db: FloatArray) -> Survey:
    power = 10 ** (level_db / 10) + NOISE
    empty = np.zeros(power.size, dtype=np.float32)
    bands = np.zeros((power.size, BANDS), dtype=np.float32)
    return Survey(RATE_HZ, HOP, power, np.zeros(power.size, dtype=bool), bands, empty, empty, 0.0, None)


def falling(db_per_s: float, seconds: float = 4.0) -> FloatArray:
    return -20.0 - db_per_s * np.arange(0.0, seconds, HOP / RATE_HZ)


def test_next_strum_ends_the_last() -> None:
    assert ending(course(falling(8.0)), 0, 2 * RATE_HZ, 4 * RATE_HZ, NOISE) == (2 * RATE_HZ, "next")


def test_file_ends_a_strum_that_still_rings() -> None:
    level = falling(8.0)
    assert ending(course(level), 0, None, level.size * HOP, NOISE) == (level.size * HOP, "file-end")


@pytest.mark.parametrize("db_per_s", [15.0, 30.0, 60.0])
def test_strum_ends_where_it_sinks_below_the_noise_and_6_db(db_per_s: float) -> None:
    """Strum and noise together, so the strum alone is 4.7 dB above it: within 50 ms."""
    end, ended_by = ending(course(falling(db_per_s, 6.0)), 0, None, 6 * RATE_HZ, NOISE)
    assert ended_by == "noise"
    assert end / RATE_HZ == pytest.approx((60.0 - 4.74) / db_per_s, abs=0.05)


def test_without_a_known_noise_no_strum_ends_in_it() -> None:
    end, ended_by = ending(course(falling(60.0)), 0, None, 4 * RATE_HZ, None)
    assert (end, ended_by) == (4 * RATE_HZ, "file-end")


@pytest.mark.parametrize("stop_db_per_s", [200.0, 300.0, 1000.0, 1e5])
@pytest.mark.parametrize("stop_s", [0.3, 1.0, 2.5])
def test_hand_on_the_strings_ends_a_strum(stop_db_per_s: float, stop_s: float) -> None:
    level = falling(8.0)
    time_s = np.arange(level.size) * HOP / RATE_HZ
    level -= stop_db_per_s * np.maximum(time_s - stop_s, 0.0)
    end, ended_by = ending(course(level), 0, None, 4 * RATE_HZ, NOISE)
    assert ended_by == "damped"
    assert end / RATE_HZ == pytest.approx(stop_s, abs=0.035)


@pytest.mark.parametrize("db_per_s", [5.0, 20.0, 60.0, 100.0, 160.0, 200.0])
def test_even_decay_is_no_damping(db_per_s: float) -> None:
    assert ending(course(falling(db_per_s)), 0, None, 4 * RATE_HZ, NOISE)[1] != "damped"


def test_beating_strings_are_not_damped() -> None:
    time_s = np.arange(0.0, 4.0, HOP / RATE_HZ)
    beats = 10 * np.log10(np.sin(2 * np.pi * 1.5 * time_s + 1.0) ** 2 + 0.02)
    assert ending(course(falling(8.0) + beats), 0, None, 4 * RATE_HZ, NOISE)[1] == "file-end"


@pytest.mark.parametrize("onset", [0, 100, 190_000, 191_999])
def test_strum_in_the_last_moments_ends_with_the_file(onset: int) -> None:
    end, ended_by = ending(course(falling(8.0)), onset, None, 4 * RATE_HZ, NOISE)
    assert (end, ended_by) == (4 * RATE_HZ, "file-end")


def noisy(hiss_dbfs: float) -> Chain:
    return replace(CHAIN, hiss_dbfs=hiss_dbfs)


def test_ends_of_modelled_strums_agree_with_the_truth() -> None:
    """Next strum: as near as its onset (5 ms). Hand: 35 ms. File: one sample. Noise: a 50 ms level that decays by 5 to
    9 dB/s there is 6 dB above the noise for 0.25 s, give or take; 0.3 s.
    """
    tolerance_s = {"next": 0.005, "damped": 0.035, "file-end": 1 / RATE_HZ, "noise": 0.3}
    takes = [
        changed(),
        changed(hands(3, 2.2, seed=71, stop_after_s=0.9)),
        changed(hands(2, 3.0, seed=72, stop_after_s=0.25)),
        changed(hands(2, 6.0, seed=73), tail_s=6.0, chain=noisy(-62.0)),
        changed(hands(2, 5.0, seed=74), tail_s=5.0, chain=noisy(-56.0)),
    ]
    seen: dict[str, list[float]] = {ended_by: [] for ended_by in tolerance_s}
    for take in takes:
        found = measured(take.samples).strums
        assert [strum.ended_by for strum in found] == [strum.ended_by for strum in take.truth.strums]
        for strum, truth in zip(found, take.truth.strums, strict=True):
            seen[truth.ended_by].append(abs(strum.end_s - truth.end_s))
    print({ended_by: f"{1000 * max(errors):.1f} ms of {len(errors)}" for ended_by, errors in seen.items() if errors})
    for ended_by, errors in seen.items():
        assert errors, ended_by
        assert max(errors) <= tolerance_s[ended_by], ended_by
