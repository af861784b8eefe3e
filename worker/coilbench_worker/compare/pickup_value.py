"""A pickup as one number: what it counts as where each pickup counts once, in groups and against data sheets."""

from math import fsum, sqrt

from coilbench_worker.compare.observations import Subject
from coilbench_worker.compare.welch import mean_and_squares

EVENNESS = "evenness_db"
EVENNESS_OF = "rms_dbfs"
"""Evenness is how this quantity scatters from strum to strum."""


def pickup_value(subject: Subject, quantity: str) -> float | None:
    """One quantity of a pickup as one number, in the quantity's unit.

    Parameters
    ----------
    subject : the pickup with its takes
    quantity : flat key

    Returns
    -------
    The unweighted mean of its take means; of `evenness_db` the root of the variance of the strums' levels about their
    take's mean, pooled over its takes, so that plugging in again is not taken for unevenness. None where no take has
    it: for evenness, where no take has two strums.
    """
    if quantity == EVENNESS:
        return _evenness_db(subject)
    takes = subject.of(quantity)
    if not takes:
        return None
    return fsum(fsum(values) / len(values) for values in takes) / len(takes)


def _evenness_db(subject: Subject) -> float | None:
    takes = subject.of(EVENNESS_OF)
    free = sum(len(values) - 1 for values in takes)
    if free == 0:
        return None
    return sqrt(fsum(mean_and_squares(values)[1] for values in takes) / free)
