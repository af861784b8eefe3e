"""Scatter of strums and takes: the textbook's table, and how often the intervals hold the truth."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench_worker.compare.observations import Subject, TakeValues
from coilbench_worker.compare.study import LIMIT_FACTOR, NO_STRUMS, ONE_TAKE, ONE_VALUE_A_TAKE, study


def subject(key: str, takes: np.ndarray) -> Subject:
    return Subject(key, tuple(TakeValues(f"{key}{number}", {"x": tuple(row)}) for number, row in enumerate(takes)))


def test_a_balanced_study_is_the_table_of_nested_variances() -> None:
    random = np.random.default_rng(5)
    values = random.normal(size=(3, 4, 5)) + random.normal(size=(3, 4, 1))
    (found,) = study([subject(f"s{n}", values[n]) for n in range(3)], ["x"], wanted={"x": 1.0})
    within = values.var(axis=2, ddof=1).mean()
    between = 5 * values.mean(axis=2).var(axis=1, ddof=1).mean()
    assert found.repeatability is not None
    assert found.between_takes is not None
    assert found.reproducibility is not None
    assert found.repeatability.sd == pytest.approx(within**0.5)
    assert found.between_takes.sd == pytest.approx(((between - within) / 5) ** 0.5)
    assert found.reproducibility.sd == pytest.approx(((between - within) / 5 + within) ** 0.5)
    assert found.repeatability_limit == pytest.approx(LIMIT_FACTOR * within**0.5)
    assert (found.repeatability.degrees_of_freedom, found.between_takes.degrees_of_freedom) == (48, 9)
    takes = [plan.takes for plan in found.plan if plan.takes is not None]
    assert takes == sorted(takes, reverse=True)


def test_one_take_each_says_nothing_of_takes() -> None:
    (found,) = study([subject("s", np.array([[1.0, 2.0, 4.0]]))], ["x"], wanted={})
    assert found.repeatability is not None
    assert (found.between_takes, found.reproducibility, found.withheld) == (None, None, ONE_TAKE)
    (bare,) = study([subject("s", np.array([[1.0]]))], ["x"], wanted={})
    assert (bare.repeatability, bare.reproducibility, bare.withheld) == (None, None, NO_STRUMS)


def test_what_a_take_has_one_of_scatters_between_takes_alone() -> None:
    (found,) = study([subject("s", np.array([[1.0], [2.0], [4.0]]))], ["x"], wanted={"x": 1.0})
    assert found.reproducibility is not None
    assert found.reproducibility.sd == pytest.approx(np.std([1.0, 2.0, 4.0], ddof=1))
    assert found.reproducibility.degrees_of_freedom == 2
    assert (found.repeatability, found.between_takes, found.withheld) == (None, None, ONE_VALUE_A_TAKE)


def test_intervals_hold_the_truth_about_nineteen_times_in_twenty() -> None:
    """1,000 seeded studies: 95 % within four standard errors of a share (2.8 %); one may be conservative."""
    random = np.random.default_rng(11)
    held = np.zeros(3)
    draws = 1000
    for _ in range(draws):
        values = random.normal(size=(4, 3, 4)) + 0.8 * random.normal(size=(4, 3, 1))
        (found,) = study([subject(f"s{n}", values[n]) for n in range(4)], ["x"], wanted={})
        truths = (1.0, 0.8, (1 + 0.64) ** 0.5)
        for index, one in enumerate((found.repeatability, found.between_takes, found.reproducibility)):
            assert one is not None
            held[index] += one.low <= truths[index] <= one.high
    assert np.all(held / draws >= 0.922), held
    assert np.all(held / draws <= 0.985), held
