"""The strums of a take in one line: mean, spread and how well the mean is known."""

from collections.abc import Iterable
from functools import lru_cache
from math import fsum, sqrt

from scipy.special import stdtrit

from coilbench_worker.measure.results import Summary

CONFIDENCE = 0.95


@lru_cache(maxsize=256)
def student_t(degrees: float, confidence: float = CONFIDENCE) -> float:
    """Two-sided quantile of Student's t: half the width of an interval of the mean, in standard errors.

    Parameters
    ----------
    degrees : degrees of freedom, >= 1, whole or not, infinity for the normal distribution
    confidence : share of intervals that hold the true mean, 0 < confidence < 1

    Raises
    ------
    ValueError : arguments out of range
    """
    if not degrees >= 1 or not 0.0 < confidence < 1.0:
        raise ValueError(f"Student's t needs degrees >= 1 and 0 < confidence < 1, not {degrees} and {confidence}")
    return float(stdtrit(degrees, 0.5 + confidence / 2.0))


def summary(values: Iterable[float | None]) -> Summary:
    """A quantity over the strums of a take.

    Parameters
    ----------
    values : one per strum, any one unit; None where undefined, and then left out

    Returns
    -------
    Summary in the unit of the values: everything None (n = 0) without a value; `sd`, `low`, `high` None below two
    """
    known = [value for value in values if value is not None]
    n = len(known)
    if n == 0:
        return Summary(mean=None, sd=None, n=0, low=None, high=None, min=None, max=None)
    mean = fsum(known) / n
    if n == 1:
        return Summary(mean=mean, sd=None, n=1, low=None, high=None, min=mean, max=mean)
    sd = standard_deviation(known)
    half_width = student_t(n - 1) * sd / sqrt(n)
    return Summary(mean=mean, sd=sd, n=n, low=mean - half_width, high=mean + half_width, min=min(known), max=max(known))


def standard_deviation(values: list[float]) -> float:
    """Sample standard deviation (divisor n - 1) of two or more values, in their unit; ValueError below two."""
    if len(values) < 2:
        raise ValueError(f"a standard deviation needs two values, not {len(values)}")
    mean = fsum(values) / len(values)
    return sqrt(fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
