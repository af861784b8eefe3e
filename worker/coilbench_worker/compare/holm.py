"""Many questions at once: p values adjusted by Holm's method.

Source: S. Holm, Scand. J. Statist. 6 (1979) 65. Held to published tables in tests/standards/test_comparison.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """What became of one p value: `adjusted`, and `divisor`, by which the level was divided at its step."""

    adjusted: float
    divisor: int


def holm(p_values: Sequence[float]) -> list[Step]:
    """Adjust the p values of one family; the chance of any false finding among them stays below the level.

    Parameters
    ----------
    p_values : shape (n,), each 0 to 1

    Returns
    -------
    One Step for each, in the same order; adjusted values never fall from a smaller to a greater p, and stop at 1

    Raises
    ------
    ValueError : a p value outside 0 to 1
    """
    if not all(0.0 <= p <= 1.0 for p in p_values):
        raise ValueError(f"p values lie between 0 and 1; got {list(p_values)}")
    order = sorted(range(len(p_values)), key=lambda index: p_values[index])
    steps: list[Step] = [Step(1.0, 1)] * len(p_values)
    greatest = 0.0
    for rank, index in enumerate(order):
        divisor = len(p_values) - rank
        greatest = max(greatest, min(1.0, divisor * p_values[index]))
        steps[index] = Step(greatest, divisor)
    return steps
