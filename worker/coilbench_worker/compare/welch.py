"""Two groups of single values: difference of the means, scatters not taken to be alike.

Source: B. L. Welch, Biometrika 34 (1947) 28. Held to published examples in tests/standards/test_comparison.py.
"""

from collections.abc import Sequence
from math import fsum, sqrt

from coilbench_worker.compare.estimate import Estimate, satterthwaite
from coilbench_worker.compare.withheld import COPIES, ONE_VALUE, Withheld


def welch(first: Sequence[float], second: Sequence[float]) -> Estimate:
    """Difference of two means, second minus first, after Welch.

    Parameters
    ----------
    first, second : shape (n,), (m,), one unit

    Returns
    -------
    Estimate : its spread is the pooled standard deviation, n + m - 2 degrees of freedom

    Raises
    ------
    Withheld : fewer than two values on a side; no scatter at all on one
    """
    if len(first) < 2 or len(second) < 2:
        raise Withheld(ONE_VALUE)
    mean_1, squares_1 = mean_and_squares(first)
    mean_2, squares_2 = mean_and_squares(second)
    if squares_1 == 0.0 or squares_2 == 0.0:
        raise Withheld(COPIES)
    free_1, free_2 = len(first) - 1, len(second) - 1
    parts = [(squares_1 / free_1 / len(first), float(free_1)), (squares_2 / free_2 / len(second), float(free_2))]
    return Estimate(
        difference=mean_2 - mean_1,
        standard_error=sqrt(fsum(variance for variance, _ in parts)),
        degrees_of_freedom=satterthwaite(parts),
        spread=sqrt((squares_1 + squares_2) / (free_1 + free_2)),
        spread_degrees=float(free_1 + free_2),
    )


def mean_and_squares(values: Sequence[float]) -> tuple[float, float]:
    """Arithmetic mean, and sum of squares about it (in two passes: values that are nearly alike lose nothing)."""
    if min(values) == max(values):  # the rounding of their mean is no scatter
        return values[0], 0.0
    mean = fsum(values) / len(values)
    return mean, fsum((value - mean) ** 2 for value in values)
