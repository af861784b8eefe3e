"""Where the labels of points go, so that they hide neither each other nor the points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot

PLACES = ((11, -7), (11, 7), (-11, -7), (-11, 7), (14, 0), (-14, 0), (0, -12), (0, 12))
"""From a point to the middle of its label, px, the best liked first; y grows downwards."""
FARTHER = (1.0, 1.9, 2.8)
"""Times as far, where all places near by are taken."""
WIDE, HIGH = 14.0, 11.0
"""Of a label of two digits, px."""
DOT = 5.0
"""Half of a point with some air, px."""

Spot = tuple[float, float]


def label_places(points: Sequence[Spot], width: float, height: float) -> list[Spot]:
    """Middles of the labels, px from the left and from the top, point by point.

    Parameters
    ----------
    points : px from the left and from the top
    width, height : of the panel, which no label leaves
    """
    placed: list[Spot] = []
    for point in points:
        spots = [spot for spot in _spots(point) if _inside(spot, width, height)] or [point]
        placed.append(min(spots, key=lambda spot: _hidden(spot, points, placed)))
    return placed


def _spots(point: Spot) -> Iterator[Spot]:
    for times in FARTHER:
        for across, down in PLACES:
            yield point[0] + times * across, point[1] + times * down


def _inside(spot: Spot, width: float, height: float) -> bool:
    return WIDE / 2 <= spot[0] <= width - WIDE / 2 and HIGH / 2 <= spot[1] <= height - HIGH / 2


def _hidden(spot: Spot, points: Sequence[Spot], placed: Sequence[Spot]) -> float:
    """How much a label there would hide; overlapping labels weigh most."""
    labels = sum(abs(spot[0] - one[0]) < WIDE and abs(spot[1] - one[1]) < HIGH for one in placed)
    dots = sum(
        hypot(max(0.0, abs(spot[0] - one[0]) - WIDE / 2), max(0.0, abs(spot[1] - one[1]) - HIGH / 2)) < DOT - 1.0
        for one in points
    )
    return 3.0 * labels + dots
