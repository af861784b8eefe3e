"""The mean of one pickup: takes are the independent units, strums of one take are not."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from scipy import stats

from coilbench_worker.compare.nested import nested
from coilbench_worker.compare.observations import Tie
from coilbench_worker.compare.pickup_mean import ALIKE, SINGLE_VALUE, pickup_mean
from coilbench_worker.compare.scatter import of_subject, pooled

TAKES = ((-12.0, -12.4, -11.9), (-13.1, -12.8), (-12.2, -12.6, -12.3, -12.1))


def test_the_mean_is_that_of_take_means_and_the_interval_is_students_over_takes() -> None:
    means = [float(np.mean(values)) for values in TAKES]
    found = pickup_mean(TAKES)
    assert found.mean == pytest.approx(np.mean(means))
    assert found.sd == pytest.approx(np.std(means, ddof=1))
    low, high = stats.t.interval(0.95, 2, np.mean(means), stats.sem(means))
    assert (found.low, found.high) == pytest.approx((low, high))
    assert (found.takes, found.strums, found.rests_on) == (3, 9, "takes")


def test_a_difference_from_nothing_known_exactly_has_the_error_of_the_nested_analysis() -> None:
    # the same statistics as in a comparison: with two subjects alike in plan and scatter, its error is sqrt(2) of ours
    one = ((-12.0, -12.4), (-13.1, -12.8), (-12.2, -12.6))
    scatter = [of_subject(one), of_subject(one)]
    compared = nested(scatter[0], scatter[1], pooled(scatter))
    found = pickup_mean(one)
    assert found.low is not None
    own_error = (found.mean - found.low) / stats.t.ppf(0.975, 2)
    assert compared.standard_error == pytest.approx(sqrt(2) * own_error)


def test_of_a_single_take_the_strums_make_the_interval_and_there_is_no_scatter_of_takes() -> None:
    found = pickup_mean(TAKES[:1])
    low, high = stats.t.interval(0.95, 2, np.mean(TAKES[0]), stats.sem(TAKES[0]))
    assert (found.low, found.high) == pytest.approx((low, high))
    assert (found.sd, found.rests_on, found.takes) == (None, "strums", 1)


@pytest.mark.parametrize(
    ("takes", "why"), [(((1.0,),), SINGLE_VALUE), (((1.0, 1.0),), ALIKE), (((1.0, 3.0), (2.0,)), ALIKE)]
)
def test_without_scatter_or_a_second_value_there_is_no_interval_and_it_is_said_why(
    takes: tuple[tuple[float, ...], ...], why: str
) -> None:
    found = pickup_mean(takes)
    assert (found.low, found.high, found.withheld) == (None, None, why)


def test_bringing_levels_to_one_gain_widens_the_interval() -> None:
    bare, tied = pickup_mean(TAKES), pickup_mean(TAKES, Tie(standard_uncertainty=0.5))
    assert tied.low is not None
    assert bare.low is not None
    assert tied.low < bare.low
    assert tied.mean == bare.mean


def test_no_take_and_an_empty_one_are_refused() -> None:
    for takes in ((), ((1.0,), ())):
        with pytest.raises(ValueError, match="needs a take"):
            pickup_mean(takes)


def test_the_interval_holds_the_truth_as_often_as_it_says_though_takes_differ() -> None:
    # 1,500 simulated pickups of four takes of five strums: takes scatter by 0.5 dB, strums by 0.3 dB about their take
    random = np.random.default_rng(7)
    held = pooled_held = 0
    for _ in range(1500):
        takes = tuple(tuple(random.normal(random.normal(0.0, 0.5), 0.3, 5).tolist()) for _ in range(4))
        found = pickup_mean(takes)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 0.0 <= found.high
        strums = [value for take in takes for value in take]  # what taking strums for independent would give
        low, high = stats.t.interval(0.95, len(strums) - 1, np.mean(strums), stats.sem(strums))
        pooled_held += low <= 0.0 <= high
    assert 0.93 <= held / 1500 <= 0.97
    assert pooled_held / 1500 < 0.75
