"""Hiss that goes with the strings: at the same two levels after several strums, or not at all."""

from itertools import pairwise

import numpy as np
import pytest

from coilbench_worker.measure.gating import Gating, gating
from coilbench_worker.measure.hiss import HissCourse
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.strums import StrumTimes

RATE_HZ, STEP_S = 48_000, 0.032
GAP_S, OPEN_S = 3.0, 1.6
HISS_DB, FLOOR = -80.0, 1e-16


def strums(count: int) -> list[StrumTimes]:
    edges = [round((0.5 + GAP_S * number) * RATE_HZ) for number in range(count + 1)]
    return [StrumTimes(start, stop, "next") for start, stop in pairwise(edges)]


def levels(count: int) -> FloatArray:
    """Level of steady hiss, dB; one piece scatters by 1.3 dB."""
    random = np.random.default_rng(5)
    return HISS_DB + random.normal(0.0, 1.3, round((0.5 + GAP_S * count) / STEP_S))


def shut(level_db: FloatArray, drops_db: list[float], *, open_s: float = OPEN_S) -> FloatArray:
    """The same with the hiss let down after each strum."""
    made = level_db.copy()
    for number, drop_db in enumerate(drops_db):
        first = round((0.5 + GAP_S * number + open_s) / STEP_S)
        made[first : round((0.5 + GAP_S * (number + 1)) / STEP_S)] -= drop_db
    return made


def told(level_db: FloatArray, count: int = 4, floor: float = FLOOR) -> Gating | None:
    return gating(HissCourse(10 ** (level_db / 10), STEP_S, floor), strums(count), RATE_HZ)


@pytest.mark.parametrize("drop_db", [10.0, 20.0, 60.0, 200.0])
def test_gate_is_told_with_its_drop_and_when_it_shuts(drop_db: float) -> None:
    found = told(shut(levels(4), [drop_db] * 4))
    assert found is not None
    assert len(found.strums) >= 3
    assert found.drop_db == pytest.approx(min(drop_db, 80.0), abs=1.5)
    for number, time_s in zip(found.strums, found.times_s, strict=True):
        assert time_s - (0.5 + GAP_S * (number - 1)) == pytest.approx(OPEN_S, abs=0.1)


def test_steady_hiss_is_no_gate() -> None:
    assert told(levels(4)) is None


def test_hiss_that_falls_a_little_is_not_told() -> None:
    """A hand on the strings takes some of what the body of the player brings in."""
    assert told(shut(levels(4), [4.0] * 4)) is None


def test_one_strum_is_not_enough() -> None:
    assert told(shut(levels(4), [30.0, 0.0, 0.0, 0.0])) is None
    assert told(shut(levels(4), [30.0, 30.0, 0.0, 0.0])) is not None


def test_levels_must_agree() -> None:
    assert told(shut(levels(4), [10.0, 20.0, 30.0, 40.0])) is None


@pytest.mark.parametrize("rate_db_per_s", [12.0, 25.0, 60.0])
def test_treble_that_dies_away_into_the_hiss_is_no_gate(rate_db_per_s: float) -> None:
    level_db = levels(4)
    since = (np.arange(level_db.size) * STEP_S - 0.5) % GAP_S
    treble = 10 ** ((HISS_DB + 30.0 - rate_db_per_s * since) / 10)
    assert told(10 * np.log10(10 ** (level_db / 10) + treble)) is None


def test_treble_that_a_hand_stops_is_no_gate() -> None:
    level_db = levels(4)
    since = (np.arange(level_db.size) * STEP_S - 0.5) % GAP_S
    treble = 10 ** ((HISS_DB + 25.0 - 12.0 * since - 300.0 * np.maximum(since - OPEN_S, 0.0)) / 10)
    assert told(10 * np.log10(10 ** (level_db / 10) + treble)) is None


def test_gate_that_shuts_at_once_leaves_nothing_to_compare() -> None:
    assert told(shut(levels(4), [30.0] * 4, open_s=0.4)) is None


def test_what_rounding_may_give_counts_for_nothing() -> None:
    """Where the hiss lies no more than 6 dB above what rounding gives, its end can't be told."""
    made = shut(levels(4), [60.0] * 4)
    assert told(made, floor=10 ** ((HISS_DB - 4.0) / 10)) is None
    assert told(made, floor=10 ** ((HISS_DB - 12.0) / 10)) is not None


def test_rate_without_room_for_hiss_is_not_judged() -> None:
    assert gating(None, strums(4), RATE_HZ) is None


def test_take_without_strums_is_not_judged() -> None:
    assert told(levels(4), 0) is None
