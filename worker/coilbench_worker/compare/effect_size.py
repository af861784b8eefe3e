"""Hedges' g: a difference in units of the standard deviation that it stands against."""

from math import exp, inf, lgamma, log

from coilbench_worker.compare.estimate import Estimate


def small_sample_factor(degrees_of_freedom: float) -> float:
    """Hedges' exact correction J of a standardised difference, 0 to 1.

    Parameters
    ----------
    degrees_of_freedom : of the standard deviation, > 1; infinity gives 1

    Raises
    ------
    ValueError : one degree of freedom or less: the factor does not exist

    Source: L. V. Hedges, J. Educ. Stat. 6 (1981) 107: J = G(df/2) / (sqrt(df/2) G((df - 1)/2)).
    """
    if not degrees_of_freedom > 1.0:
        raise ValueError(f"Hedges' correction needs more than one degree of freedom, not {degrees_of_freedom}")
    if degrees_of_freedom == inf:
        return 1.0
    half = degrees_of_freedom / 2.0
    return exp(lgamma(half) - 0.5 * log(half) - lgamma(half - 0.5))


def hedges_g(estimate: Estimate) -> float | None:
    """g of a difference, without unit; None without a spread of more than one degree of freedom."""
    if not estimate.spread or not estimate.spread_degrees > 1.0:
        return None
    return small_sample_factor(estimate.spread_degrees) * estimate.difference / estimate.spread
