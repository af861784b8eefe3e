"""Subjects with several takes: the take is a random effect, and decides.

The scatter of take means about their subject's mean is pooled over the subjects compared. With as many strums in every
take, the test of a difference is the nested analysis of variance (mean square of takes as the error term); where the
numbers differ, what the strums add is put right, and degrees of freedom are Satterthwaite's. A subject with one take is
judged by the scatter of the others' takes.
"""

from collections.abc import Sequence
from math import sqrt

from coilbench_worker.compare.estimate import Estimate, satterthwaite
from coilbench_worker.compare.scatter import Scatter, SubjectScatter
from coilbench_worker.compare.withheld import COPIES, ONE_VALUE, Withheld

ROUNDING = 1e-9
"""A correction smaller than this share is one of rounding: the plan is balanced."""


def nested(first: SubjectScatter, second: SubjectScatter, shared: Scatter) -> Estimate:
    """Difference of two subjects, second minus first.

    Parameters
    ----------
    first, second : the two
    shared : the scatter of takes and strums, pooled over the subjects compared

    Returns
    -------
    Estimate : its spread is the reproducibility standard deviation (a strum of another take)

    Raises
    ------
    Withheld : no subject has a second take; no scatter at all
    """
    if shared.take_variance is None:
        raise Withheld(ONE_VALUE)
    if shared.total_variance == 0.0:
        raise Withheld(COPIES)
    variance, degrees = _variance((first, second), shared)
    if variance == 0.0:
        raise Withheld(COPIES)
    return Estimate(
        difference=second.mean - first.mean,
        standard_error=sqrt(variance),
        degrees_of_freedom=degrees,
        spread=sqrt(shared.total_variance),
        spread_degrees=spread_degrees(shared),
    )


def spread_degrees(shared: Scatter) -> float:
    """Effective degrees of freedom of the reproducibility variance."""
    if shared.take_variance is None:
        return float(shared.free_strums)
    strums = (1.0 - shared.inverse) * shared.strum_variance
    if shared.between_variance == 0.0:
        return float(shared.free_strums or shared.free_takes)
    return satterthwaite([(shared.take_variance, shared.free_takes), (strums, max(1, shared.free_strums))])


def _variance(subjects: Sequence[SubjectScatter], shared: Scatter) -> tuple[float, float]:
    """Variance of the difference of two subjects, and its degrees of freedom."""
    assert shared.take_variance is not None
    weight = sum(1.0 / one.takes for one in subjects)
    correction = sum((one.inverse - shared.inverse) / one.takes for one in subjects)
    between = weight * shared.take_variance
    if abs(correction) < ROUNDING or shared.strum_variance == 0.0:
        return between, float(shared.free_takes)
    within = correction * shared.strum_variance
    least = sum(one.inverse / one.takes for one in subjects) * shared.strum_variance
    if between + within <= 0.0:
        return least, float(shared.free_strums)
    parts = [(between, float(shared.free_takes)), (within, float(shared.free_strums))]
    degrees = min(satterthwaite(parts), float(shared.free_takes + shared.free_strums))
    return between + within, degrees
