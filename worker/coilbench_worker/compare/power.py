"""What a plan could have shown, and what would settle a difference: powers of the t test.

A difference counts as one that a plan shows when it would be called real four times in five.

Source: the noncentral t distribution; held to statsmodels in tests/unit/compare/test_comparison.py.
"""

from collections.abc import Callable
from math import isfinite, sqrt

from scipy.special import chdtrc, chdtri, nctdtr, nctdtrinc

from coilbench_worker.measure.statistics import student_t

POWER = 0.8
"""Four times in five: the usual convention (J. Cohen, Statistical Power Analysis, 1988)."""
MOST = 10_000
"""More strums or takes than this are no plan."""
FAR = 1000.0
"""Thresholds beyond this many standard errors (one degree of freedom at a strict level): the noncentral t is then its
shift over the root of chi square per degree, to 1 in 10^6, and scipy's series takes minutes.
"""


def smallest_shown(standard_error: float, degrees_of_freedom: float, level: float) -> float | None:
    """The true difference that is called real with probability 0.8, in the unit of the standard error.

    Parameters
    ----------
    standard_error : of the difference, > 0
    degrees_of_freedom : >= 1
    level : two-sided level of the test, 0 to 1

    Returns
    -------
    float, or None where the level is so strict that no number comes of it
    """
    threshold = student_t(min(degrees_of_freedom, 1e9), 1.0 - level)
    if threshold > FAR:
        return threshold * sqrt(float(chdtri(degrees_of_freedom, 1.0 - POWER)) / degrees_of_freedom) * standard_error
    noncentrality = float(nctdtrinc(min(degrees_of_freedom, 1e9), 1.0 - POWER, threshold))
    if not isfinite(noncentrality) or noncentrality <= 0.0:
        return None
    return noncentrality * standard_error


def power(difference: float, standard_error: float, degrees_of_freedom: float, level: float) -> float:
    """How often a true difference is called real, 0 to 1; parameters as for `smallest_shown`."""
    degrees = min(degrees_of_freedom, 1e9)
    threshold = student_t(degrees, 1.0 - level)
    shift = abs(difference) / standard_error
    if threshold > FAR:
        return 1.0 - float(chdtrc(degrees, degrees * (shift / threshold) ** 2))
    upper = 1.0 - float(nctdtr(degrees, shift, threshold))
    lower = float(nctdtr(degrees, shift, -threshold))
    return upper + (lower if isfinite(lower) else 0.0)


def fewest(shows: Callable[[int], bool], least: int) -> int | None:
    """The smallest number that shows, by doubling and halving; None beyond 10,000.

    Parameters
    ----------
    shows : whether so many show it; once it holds it holds for all more
    least : where to begin
    """
    most = least
    while not shows(most):
        if most >= MOST:
            return None
        most = min(2 * most, MOST)
    fewer = max(least - 1, most // 2) if most > least else least - 1
    while most - fewer > 1:
        middle = (most + fewer) // 2
        most, fewer = (middle, fewer) if shows(middle) else (most, middle)
    return most
