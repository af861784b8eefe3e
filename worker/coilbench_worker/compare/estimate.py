"""A difference of two means with what it rests on; interval and p value follow from it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf
from sys import float_info

from scipy.special import stdtr

from coilbench_worker.measure.statistics import student_t
from coilbench_worker.measure.uncertainty import effective_degrees

LEAST_P = float_info.min
"""The smallest p value shown, 2.2e-308: smaller ones can't be kept, and none is 0."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A difference, second minus first, in the unit of the values.

    `standard_error` > 0; `degrees_of_freedom` >= 1, infinity where nothing was estimated. `spread` is the standard
    deviation that Hedges' g is taken in, with its degrees of freedom, None where there is none. `bare` is the estimate
    before a further uncertainty came in: with few degrees of freedom the GUM's effective ones grow so fast that more
    uncertainty would give a narrower interval; the wider of the two counts, and the greater p.
    """

    difference: float
    standard_error: float
    degrees_of_freedom: float
    spread: float | None = None
    spread_degrees: float = inf
    bare: "Estimate | None" = None

    @property
    def p(self) -> float:
        """Two-sided p value: how often a difference at least as large comes by chance where there is none."""
        own = float(2.0 * stdtr(self.degrees_of_freedom, -abs(self.difference) / self.standard_error))
        return max(own, LEAST_P, self.bare.p if self.bare else 0.0)

    def interval(self, confidence: float) -> tuple[float, float]:
        """Lower and upper bound of the difference, by Student's t."""
        half = max(
            student_t(each.degrees_of_freedom, confidence) * each.standard_error for each in (self, self.bare) if each
        )
        return self.difference - half, self.difference + half

    def widened(self, standard_uncertainty: float, degrees_of_freedom: float | None) -> "Estimate":
        """The same with a further, independent standard uncertainty of the difference (None: infinitely many degrees).

        Source: GUM 5.1.2 and G.4.1 (Welch-Satterthwaite).
        """
        if standard_uncertainty == 0.0:
            return self
        own = None if self.degrees_of_freedom == inf else self.degrees_of_freedom
        degrees = effective_degrees([(self.standard_error, own), (standard_uncertainty, degrees_of_freedom)])
        return Estimate(
            self.difference,
            hypot(self.standard_error, standard_uncertainty),
            inf if degrees is None else max(1.0, degrees),
            self.spread,
            self.spread_degrees,
            self.bare or self,
        )


def satterthwaite(parts: Sequence[tuple[float, float]], total: float | None = None) -> float:
    """Effective degrees of freedom of a sum of independent variances, at least 1.

    Parameters
    ----------
    parts : each variance (one that is subtracted is negative) and its degrees of freedom
    total : their sum, where the caller has it

    Source: F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110.
    """
    total = sum(variance for variance, _ in parts) if total is None else total
    spread = sum(variance * variance / degrees for variance, degrees in parts if variance != 0.0)
    return inf if spread == 0.0 else max(1.0, total * total / spread)
