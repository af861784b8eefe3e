"""How takes and strums scatter, over all subjects of a comparison: the nested analysis of variance.

Unweighted means of take means, so that numbers of strums may differ. With as many strums in every take this is the
textbook's table: `takes * strums` is its mean square between takes, `strums_variance` that within.

Source: ISO 5725-2 (repeatability between strums, between-take variance; through secondary texts); S. R. Searle, Linear
Models (1971), unweighted means.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum

from scipy.special import fdtri

from coilbench_worker.compare.observations import Takes
from coilbench_worker.compare.welch import mean_and_squares

OUT_OF_LINE = 0.01
"""Level of the test for a scatter out of line, as ISO 5725-2 has it for outliers; over all that a comparison tests."""


@dataclass(frozen=True, slots=True)
class SubjectScatter:
    """One subject: mean of its take means, number of takes, sums of squares with their degrees of freedom.

    `inverse` is the mean over takes of one over the number of strums: what a take mean has of the strums' variance.
    """

    mean: float
    takes: int
    inverse: float
    squares_of_takes: float
    squares_of_strums: float
    free_strums: int

    @property
    def free_takes(self) -> int:
        """Degrees of freedom between its takes."""
        return self.takes - 1

    @property
    def strum_variance(self) -> float:
        """Variance of its strums about their take's mean; needs a degree of freedom."""
        return self.squares_of_strums / self.free_strums


@dataclass(frozen=True, slots=True)
class Scatter:
    """What several subjects share.

    `take_variance` is that of take means about their subject's mean, with `free_takes` degrees of freedom (None
    without), `strum_variance` that of strums about their take's mean; `inverse` weighs the latter within the former.
    """

    take_variance: float | None
    free_takes: int
    strum_variance: float
    free_strums: int
    inverse: float
    subjects: tuple[SubjectScatter, ...] = ()

    @property
    def between_variance(self) -> float:
        """Variance between takes with the strums' share taken off, not below 0: s_L squared."""
        return max(0.0, (self.take_variance or 0.0) - self.inverse * self.strum_variance)

    @property
    def total_variance(self) -> float:
        """Variance of a single strum of a new take: s_R squared."""
        return self.between_variance + self.strum_variance


def of_subject(takes: Takes) -> SubjectScatter:
    """The scatter within one subject.

    Parameters
    ----------
    takes : at least one take; none of them empty
    """
    of_takes = [mean_and_squares(values) for values in takes]
    mean, squares_of_takes = mean_and_squares([mean for mean, _ in of_takes])
    return SubjectScatter(
        mean=mean,
        takes=len(takes),
        inverse=fsum(1.0 / len(values) for values in takes) / len(takes),
        squares_of_takes=squares_of_takes,
        squares_of_strums=fsum(squares for _, squares in of_takes),
        free_strums=sum(len(values) - 1 for values in takes),
    )


def pooled(subjects: Sequence[SubjectScatter]) -> Scatter:
    """Pool the scatter of takes, and that of strums, over subjects."""
    free_takes = sum(one.free_takes for one in subjects)
    free_strums = sum(one.free_strums for one in subjects)
    squares_of_strums = fsum(one.squares_of_strums for one in subjects)
    if not free_takes:
        variance = squares_of_strums / free_strums if free_strums else 0.0
        return Scatter(None, 0, variance, free_strums, 0.0, tuple(subjects))
    return Scatter(
        take_variance=fsum(one.squares_of_takes for one in subjects) / free_takes,
        free_takes=free_takes,
        strum_variance=squares_of_strums / free_strums if free_strums else 0.0,
        free_strums=free_strums,
        inverse=fsum(one.free_takes * one.inverse for one in subjects) / free_takes,
        subjects=tuple(subjects),
    )


def out_of_line(squares: Sequence[float], free: Sequence[int], level: float = OUT_OF_LINE) -> int | None:
    """Which of several variances is greater than chance explains, after Cochran; None where none is.

    Parameters
    ----------
    squares, free : sums of squares and their degrees of freedom, shape (n,); those without a degree are passed over
    level : of the test; whoever makes several divides it by their number

    Returns
    -------
    The index of the variance that goes furthest beyond its limit, as a share of all squares

    Source: Cochran's test as in ISO 5725-2 (through secondary texts), and for unequal degrees of freedom its G of
    R. U. E. 't Lam, Anal. Chim. Acta 659 (2010) 68 (from memory; with equal ones it is Cochran's): limit
    1 / (1 + (all / own - 1) / F), F at level / n for its own and the others' degrees of freedom.
    """
    there = [index for index, degrees in enumerate(free) if degrees > 0]
    total = fsum(squares[index] for index in there)
    if len(there) < 2 or total == 0.0:
        return None
    beyond: dict[int, float] = {}
    for index in there:
        own, others = free[index], sum(free[each] for each in there if each != index)
        limit_f = float(fdtri(own, others, 1.0 - level / len(there)))
        limit = 1.0 / (1.0 + others / own / limit_f)
        beyond[index] = squares[index] / total / limit
    furthest = max(there, key=lambda index: beyond[index])
    return furthest if beyond[furthest] > 1.0 else None
