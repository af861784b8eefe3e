"""The mean of one pickup with its interval: the take is the independent unit, since strums of one take share its setup.

The nested plan of `nested` with a single subject: mean of take means, judged by how these scatter. With one take alone
its strums are what there is, and how far plugging in again moves it is not in the interval.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Literal

from coilbench_worker.compare.estimate import Estimate
from coilbench_worker.compare.observations import Takes, Tie
from coilbench_worker.compare.scatter import of_subject
from coilbench_worker.compare.welch import mean_and_squares
from coilbench_worker.measure.statistics import CONFIDENCE

ALIKE = "its values do not scatter at all, so there is no interval"
SINGLE_VALUE = "there is one value only; an interval needs two"


@dataclass(frozen=True, slots=True)
class PickupMean:
    """One quantity of a pickup, in its unit.

    `sd` is the standard deviation of take means (None with one take); `rests_on` says whose scatter made the interval,
    `withheld` why there is none.
    """

    mean: float
    takes: int
    strums: int
    sd: float | None
    low: float | None
    high: float | None
    rests_on: Literal["takes", "strums"]
    withheld: str | None = None


def pickup_mean(takes: Takes, tie: Tie | None = None, confidence: float = CONFIDENCE) -> PickupMean:
    """The mean of a pickup and how well it is known.

    Parameters
    ----------
    takes : for each take that has the quantity its values, at least one take, none of them empty
    tie : of levels to the take that they all are referred to; its uncertainty widens the interval
    confidence : of the interval, 0 to 1

    Returns
    -------
    PickupMean : unweighted mean of take means; Student's t over takes, with a single take over its strums

    Raises
    ------
    ValueError : no take, or an empty one

    Source: S. R. Searle, Linear Models (1971), unweighted means. Coverage: tests/unit/compare.
    """
    if not takes or not all(takes):
        raise ValueError("a pickup's mean needs a take, and a value of every take")
    scatter = of_subject(takes)
    strums = sum(map(len, takes))
    means = [mean_and_squares(values)[0] for values in takes]
    values, rests_on = _units(takes, means)
    sd = sqrt(scatter.squares_of_takes / scatter.free_takes) if scatter.free_takes else None
    bare = PickupMean(scatter.mean, scatter.takes, strums, sd, None, None, rests_on)
    if len(values) < 2:
        return _without(bare, SINGLE_VALUE)
    _, squares = mean_and_squares(values)
    if squares == 0.0:
        return _without(bare, ALIKE)
    free = len(values) - 1
    estimate = Estimate(scatter.mean, sqrt(squares / free / len(values)), float(free), None, inf)
    if tie is not None:
        estimate = estimate.widened(tie.standard_uncertainty, tie.degrees_of_freedom)
    low, high = estimate.interval(confidence)
    return PickupMean(scatter.mean, scatter.takes, strums, sd, low, high, rests_on)


def _units(takes: Takes, means: Sequence[float]) -> tuple[Sequence[float], Literal["takes", "strums"]]:
    """What stands for itself: takes, or with one alone its strums."""
    return (means, "takes") if len(takes) > 1 else (takes[0], "strums")


def _without(bare: PickupMean, why: str) -> PickupMean:
    return PickupMean(bare.mean, bare.takes, bare.strums, bare.sd, None, None, bare.rests_on, why)
