"""Subjects with several takes: the take is a random effect, and decides.

The scatter of take means about their subject's mean is pooled over the subjects compared. With as many strums in every
take, the test of a difference is the nested analysis of variance (mean square of takes as the error term); where the
numbers differ, what the strums add is put right, and degrees of freedom are Satterthwaite's. A subject with one take is
judged by the scatter of the others' takes.

Two estimates are made, one with the scatter of strums pooled, one with each subject's own, and the greater counts (of
equal ones that with fewer degrees of freedom): a subject whose strums scatter more than the others' is not taken for
one of them. Two subjects with equal plans give the same either way. How often the intervals hold: `make bench`, part
coverage.
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
    alike = _profile(subjects, shared, [shared.strum_variance] * len(shared.subjects), [float(shared.free_strums)])
    own = _profile(
        subjects,
        shared,
        [one.strum_variance if one.free_strums else shared.strum_variance for one in shared.subjects],
        [float(one.free_strums or shared.free_strums) for one in shared.subjects],
    )
    if abs(own[0] - alike[0]) <= ROUNDING * alike[0]:
        return alike[0], min(own[1], alike[1])
    return max(own, alike)


def _profile(
    subjects: Sequence[SubjectScatter], shared: Scatter, strums: Sequence[float], degrees: Sequence[float]
) -> tuple[float, float]:
    """The variance for given variances of strums, by subject; `degrees` one for all, or by subject.

    What strums explain of the scatter of take means is taken off the pooled variance of these and put back for the two
    as their own numbers of strums have it. Where take means scatter less than strums explain, all is scaled down to
    what they do: a balanced plan keeps the mean square of takes, and no variance gets negative.
    """
    assert shared.take_variance is not None
    weight = sum(1.0 / one.takes for one in subjects)
    shares = [-weight * one.free_takes * one.inverse / shared.free_takes for one in shared.subjects]
    explained = -sum(share * variance for share, variance in zip(shares, strums, strict=True)) / weight
    added = 0.0
    for one in subjects:
        place = next(number for number, each in enumerate(shared.subjects) if each is one)
        shares[place] += one.inverse / one.takes
        added += one.inverse / one.takes * strums[place]
    takes = weight * shared.take_variance
    free = float(shared.free_takes)
    if explained == 0.0 or shared.take_variance <= explained * (1.0 + ROUNDING):
        return (takes if explained == 0.0 else added * shared.take_variance / explained), free
    parts = [share * variance for share, variance in zip(shares, strums, strict=True)]
    if len(degrees) == 1:
        parts = [sum(parts)]
    if abs(sum(parts)) < ROUNDING * takes:
        return takes, free
    variance = takes + sum(parts)
    found = satterthwaite([(takes, free), *zip(parts, degrees, strict=True)], total=variance)
    least = min([free, *(each for part, each in zip(parts, degrees, strict=True) if part > 0.0)])
    most = free + sum(degrees)
    return variance, min(max(found, least), most)
