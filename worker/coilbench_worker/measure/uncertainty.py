"""Uncertainty by the GUM: components, their combination, effective degrees of freedom and the expanded uncertainty.

Levels carry their uncertainty in dB, voltages as a share of themselves; the two are converted to first order, as the
law of propagation does: 1 % is 0.0869 dB.

Source: JCGM 100:2008 (GUM), 5.1.2 (law of propagation), G.4.1 (Welch-Satterthwaite), G.3.2 (Student t).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import fsum, isfinite, log, sqrt

from coilbench_worker.measure.statistics import standard_deviation, student_t

DB_PER_UNIT = 20.0 / log(10.0)
"""dB for each unit of relative change of a voltage, to first order: 8.686."""
CERTIFICATE_FACTOR = 2.0
"""Coverage factor of what is stated of a calibration, as on certificates: 95.45 % of a normal distribution."""

MOST_DEGREES = 1e6
"""So many degrees of freedom count as infinitely many: Student's factor no longer moves in its sixth digit."""


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget: where it comes from, its standard uncertainty in dB, and its degrees of freedom, None for
    infinitely many (known from elsewhere, or a bound).
    """

    source: str
    standard_uncertainty_db: float
    degrees_of_freedom: float | None = None

    def __post_init__(self) -> None:
        """Raise ValueError unless the uncertainty is finite and >= 0 and the degrees of freedom >= 1."""
        if not (isfinite(self.standard_uncertainty_db) and self.standard_uncertainty_db >= 0.0):
            raise ValueError(f"{self.source}: an uncertainty of {self.standard_uncertainty_db} dB; give 0 or more")
        if self.degrees_of_freedom is not None and not self.degrees_of_freedom >= 1.0:
            raise ValueError(f"{self.source}: {self.degrees_of_freedom} degrees of freedom; give 1 or more, or None")


@dataclass(frozen=True, slots=True)
class Expanded:
    """A mean with its expanded uncertainty (95 %), all in the unit of the values.

    `degrees_of_freedom` are the effective ones, None for infinitely many.
    """

    mean: float
    standard_uncertainty: float
    degrees_of_freedom: float | None
    coverage_factor: float
    expanded_uncertainty: float


def percent_to_db(percent: float) -> float:
    """A relative uncertainty in percent of a voltage as dB, to first order."""
    return percent / 100.0 * DB_PER_UNIT


def db_to_share(uncertainty_db: float) -> float:
    """An uncertainty in dB as a share of the voltage, to first order."""
    return uncertainty_db / DB_PER_UNIT


def combined(uncertainties: Iterable[float]) -> float:
    """Root of the sum of squares: standard uncertainties of independent components in one unit."""
    return sqrt(fsum(each * each for each in uncertainties))


def effective_degrees(components: Sequence[tuple[float, float | None]]) -> float | None:
    """Effective degrees of freedom of a combined uncertainty (Welch-Satterthwaite), None for infinitely many.

    Parameters
    ----------
    components : standard uncertainty of each, in one unit, and its degrees of freedom (None: infinitely many)

    Source: GUM G.4.1, formula (G.2b); not cut down to a whole number.
    """
    total = combined(uncertainty for uncertainty, _ in components)
    if total == 0.0:
        return None
    shares = fsum((u / total) ** 4 / degrees for u, degrees in components if degrees is not None)
    return 1.0 / shares if shares > 1.0 / MOST_DEGREES else None


def coverage_factor(degrees: float | None) -> float:
    """Student t for 95 %: the factor from standard to expanded uncertainty; 1.96 for infinitely many degrees (None)."""
    return student_t(float("inf") if degrees is None else degrees)


def expanded_mean(values: Sequence[float], common: Sequence[Component]) -> Expanded | None:
    """Mean of repeated values that share one scale, with its expanded uncertainty.

    Parameters
    ----------
    values : in any one unit, proportional to the common scale
    common : components of that scale; they are the same for every value and no repetition makes them smaller

    Returns
    -------
    Expanded, or None below two values: one alone says nothing about repeatability

    Source: GUM 4.2 (type A of a mean), 5.1.2, annex G. Coverage: tests/standards/test_calibration.py.
    """
    n = len(values)
    if n < 2:
        return None
    mean = fsum(values) / n
    repeatability = standard_deviation(list(values)) / sqrt(n)
    scale = [(abs(mean) * db_to_share(one.standard_uncertainty_db), one.degrees_of_freedom) for one in common]
    components = [(repeatability, float(n - 1)), *scale]
    uncertainty = combined(each for each, _ in components)
    degrees = effective_degrees(components)
    factor = coverage_factor(degrees)
    return Expanded(mean, uncertainty, degrees, factor, factor * uncertainty)
