"""The tester's own hand: how far strums of a take and takes of a pickup scatter, and what plan that asks for.

Terms of ISO 5725: repeatability (s_r, strums of one take), between takes (s_L, what strums add taken off),
reproducibility (s_R, a strum of another take). Limits are 1.96 sqrt(2) times the standard deviation.

Source: ISO 5725-2 (through secondary texts); intervals: chi square for s_r; Tukey-Williams for s_L and the modified
large-sample method of Graybill and Wang for s_R (R. K. Burdick, F. A. Graybill, Confidence Intervals on Variance
Components, 1992; formulas from memory, coverage in tests/unit/compare/test_study.py).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

from scipy.special import chdtri, fdtri

from coilbench_worker.compare.nested import spread_degrees
from coilbench_worker.compare.observations import Subject
from coilbench_worker.compare.power import POWER, fewest, power
from coilbench_worker.compare.scatter import Scatter, of_subject, pooled
from coilbench_worker.measure.statistics import CONFIDENCE

LIMIT_FACTOR = 1.96 * sqrt(2.0)
"""Two single values differ by less than this many standard deviations, 95 in 100."""
STRUMS = (4, 6, 8, 12)
"""Strums of a take that a plan is drawn up for."""
MOST_TAKES = 50
"""More takes of each pickup than this are no plan."""
NO_STRUMS = "no take has two strums that have it, and no pickup two takes"
ONE_VALUE_A_TAKE = "a take has one value of it: only how takes scatter can be said"
ONE_TAKE = "each pickup has one take: record a second one to see how takes scatter"


@dataclass(frozen=True, slots=True)
class Deviation:
    """A standard deviation with its interval and degrees of freedom, in the unit of the quantity."""

    sd: float
    low: float
    high: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Takes of so many strums, of each of two pickups, that show a difference four times in five; None: too many."""

    difference: float
    strums: int
    takes: int | None


@dataclass(frozen=True, slots=True)
class Studied:
    """One quantity; what can't be said is None, and `withheld` says why."""

    quantity: str
    repeatability: Deviation | None
    between_takes: Deviation | None
    reproducibility: Deviation | None
    repeatability_limit: float | None
    reproducibility_limit: float | None
    withheld: str | None
    plan: tuple[Plan, ...]


def study(
    subjects: Sequence[Subject],
    quantities: Sequence[str],
    *,
    wanted: Mapping[str, float],
    confidence: float = CONFIDENCE,
) -> tuple[Studied, ...]:
    """Scatter of each quantity, pooled over subjects.

    Parameters
    ----------
    subjects : with usable takes; levels of one subject on one reference
    quantities : columns
    wanted : by column, the difference that two pickups should be told apart by; a column without one gets no plan
    confidence : of the intervals, and of the comparison planned for
    """
    return tuple(_studied(subjects, quantity, wanted.get(quantity), confidence) for quantity in quantities)


def _studied(subjects: Sequence[Subject], quantity: str, wanted: float | None, confidence: float) -> Studied:
    takes = [found for subject in subjects if (found := subject.of(quantity))]
    shared = pooled([of_subject(one) for one in takes])
    if shared.free_strums == 0 and shared.take_variance is None:
        return Studied(quantity, None, None, None, None, None, NO_STRUMS, ())
    if shared.free_strums == 0:
        return _of_takes(quantity, shared, confidence)
    repeatability = _by_chi_square(shared.strum_variance, shared.free_strums, confidence)
    limit = LIMIT_FACTOR * repeatability.sd
    if shared.take_variance is None:
        return Studied(quantity, repeatability, None, None, limit, None, ONE_TAKE, ())
    reproducibility = _reproducibility(shared, confidence)
    plan = () if wanted is None else tuple(_plan(shared, wanted, strums, 1.0 - confidence) for strums in STRUMS)
    return Studied(
        quantity=quantity,
        repeatability=repeatability,
        between_takes=_between(shared, confidence),
        reproducibility=reproducibility,
        repeatability_limit=limit,
        reproducibility_limit=LIMIT_FACTOR * reproducibility.sd,
        withheld=None,
        plan=plan,
    )


def _of_takes(quantity: str, shared: Scatter, confidence: float) -> Studied:
    """A quantity of which a take has one value: only takes can scatter."""
    assert shared.take_variance is not None
    whole = _by_chi_square(shared.take_variance, shared.free_takes, confidence)
    return Studied(quantity, None, None, whole, None, LIMIT_FACTOR * whole.sd, ONE_VALUE_A_TAKE, ())


def _by_chi_square(variance: float, degrees: int, confidence: float) -> Deviation:
    tail = (1.0 - confidence) / 2.0
    low = variance * degrees / float(chdtri(degrees, tail))
    high = variance * degrees / float(chdtri(degrees, 1.0 - tail))
    return Deviation(sqrt(variance), sqrt(low), sqrt(high), float(degrees))


def _between(shared: Scatter, confidence: float) -> Deviation:
    """s_L; its lower bound is 0 where takes may well scatter no more than their strums make them."""
    assert shared.take_variance is not None
    tail = (1.0 - confidence) / 2.0
    free, strums = shared.free_takes, shared.free_strums
    added = shared.inverse * shared.strum_variance
    low = (shared.take_variance - added * float(fdtri(free, strums, 1.0 - tail))) * free / float(chdtri(free, tail))
    high = (shared.take_variance - added * float(fdtri(free, strums, tail))) * free / float(chdtri(free, 1.0 - tail))
    return Deviation(sqrt(shared.between_variance), sqrt(max(0.0, low)), sqrt(max(0.0, high)), float(free))


def _reproducibility(shared: Scatter, confidence: float) -> Deviation:
    assert shared.take_variance is not None
    tail = (1.0 - confidence) / 2.0
    parts = [
        (shared.take_variance, shared.free_takes),
        ((1.0 - shared.inverse) * shared.strum_variance, shared.free_strums),
    ]
    whole = sum(variance for variance, _ in parts)
    below = [variance * (1.0 - degrees / float(chdtri(degrees, tail))) for variance, degrees in parts]
    above = [variance * (degrees / float(chdtri(degrees, 1.0 - tail)) - 1.0) for variance, degrees in parts]
    return Deviation(
        sqrt(shared.total_variance),
        sqrt(max(0.0, whole - hypot(*below))),
        sqrt(whole + hypot(*above)),
        spread_degrees(shared),
    )


def _plan(shared: Scatter, wanted: float, strums: int, level: float) -> Plan:
    variance = shared.between_variance + shared.strum_variance / strums

    def shows(takes: int) -> bool:
        error = sqrt(2.0 * variance / takes)
        return error == 0.0 or power(wanted, error, 2.0 * (takes - 1), level) >= POWER

    takes = fewest(shows, 2)
    return Plan(wanted, strums, takes if takes is not None and takes <= MOST_TAKES else None)
