"""Many questions at once: p values adjusted by Holm's method.

Source: S. Holm, Scand. J. Statist. 6 (1979) 65. Held to published tables in tests/standards/test_comparison.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """What became of one p value: `adjusted`, and `divisor`, by which the level that it was held to was divided."""

    adjusted: float
    divisor: int


def adjusted(p_values: Sequence[float]) -> list[float]:
    """The p values of one family, adjusted: the chance of any false finding among those below a level stays below it.

    Parameters
    ----------
    p_values : shape (n,), each 0 to 1

    Returns
    -------
    One for each, in the same order; they never fall from a smaller to a greater p, and stop at 1

    Raises
    ------
    ValueError : a p value outside 0 to 1
    """
    if not all(0.0 <= p <= 1.0 for p in p_values):
        raise ValueError(f"p values lie between 0 and 1; got {list(p_values)}")
    found = [1.0] * len(p_values)
    greatest = 0.0
    for rank, index in enumerate(_by_size(p_values)):
        greatest = max(greatest, min(1.0, (len(p_values) - rank) * p_values[index]))
        found[index] = greatest
    return found


def holm(p_values: Sequence[float], level: float = 0.05) -> list[Step]:
    """The same, each with the share of the level that it was held to.

    Parameters
    ----------
    p_values : as for `adjusted`
    level : of the family; it decides how far down the steps went, and with that the divisor

    Raises
    ------
    ValueError : a p value outside 0 to 1
    """
    order = _by_size(p_values)
    return [Step(one, _divisor(index, order, p_values, level)) for index, one in enumerate(adjusted(p_values))]


def _by_size(p_values: Sequence[float]) -> list[int]:
    return sorted(range(len(p_values)), key=lambda index: p_values[index])


def _divisor(index: int, order: Sequence[int], p_values: Sequence[float], level: float) -> int:
    """How many of the family were left when the steps came to a halt without this one, itself included.

    With the others as they are, it is found if and only if its p lies below level / divisor.
    """
    left = len(order)
    for other in order:
        if other != index:
            if p_values[other] >= level / left:
                break
            left -= 1
    return left
