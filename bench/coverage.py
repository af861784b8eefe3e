"""How often intervals of comparisons hold the truth, and how often one finds what is not there: drawn sessions.

The aim is 93 to 97 of 100 for each 95 % interval, and at most 5 of 100 families with a false finding under Holm.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.figure import Figure
from coilbench_worker.compare.comparison import comparison
from coilbench_worker.compare.observations import Subject, TakeValues, Tie
from coilbench_worker.measure.source import FloatArray

DRAWS = 6000
WRONG_PERCENT = 2.0
"""An interval that holds the truth within 2 of 100 of what it says: 93 to 97."""
FALSE_ALARMS_PERCENT = 5.0
QUANTITIES = ("a", "b", "c")
SHARED = 0.7
"""Correlation of the quantities of one strum."""


@dataclass(frozen=True)
class Plan:
    """One plan: strums of each take of each subject; standard deviations between takes, and of strums by subject."""

    name: str
    strums: tuple[tuple[int, ...], ...]
    take_sd: float
    strum_sd: tuple[float, ...] = ()
    tie: float = 0.0


PLANS = (
    Plan("one take of 4, two pickups", ((4,), (4,)), 0.0),
    Plan("one take of 8, two pickups", ((8,), (8,)), 0.0),
    Plan("one take of 4, strums 2:1", ((4,), (4,)), 0.0, (2.0, 1.0)),
    Plan("2 takes x 4, takes alike", ((4, 4),) * 2, 0.0),
    Plan("2 takes x 4, takes as strums", ((4, 4),) * 2, 1.0),
    Plan("2 takes x 4, takes twice strums", ((4, 4),) * 2, 2.0),
    Plan("3 takes x 4, takes as strums", ((4, 4, 4),) * 2, 1.0),
    Plan("2 takes x 4, eight pickups", ((4, 4),) * 8, 1.0),
    Plan("unbalanced, takes alike", ((3, 6), (4, 5, 6), (5,)), 0.0),
    Plan("unbalanced, takes as strums", ((3, 6), (4, 5, 6), (5,)), 1.0),
    Plan("2 takes x 4, strums 2:1", ((4, 4),) * 2, 1.0, (2.0, 1.0)),
    Plan("2 takes x 4, eight pickups, one 2:1", ((4, 4),) * 8, 1.0, (2.0, *(1.0,) * 7)),
    Plan("2 takes x 4, gains tied within 0.5", ((4, 4),) * 2, 1.0, tie=0.5),
)


def coverage() -> list[Figure]:
    """Each plan: share of intervals that hold the truth, and of families with a false finding, percent."""
    figures = []
    for number, plan in enumerate(PLANS):
        held, alarmed = _run(plan, np.random.default_rng([number, 20261125]))
        note = f"{DRAWS} draws; held {held:.1f} of 100"
        figures.append(
            Figure("coverage", plan.name, abs(held - 95.0), "of 100 from 95", WRONG_PERCENT, note),
        )
        figures.append(
            Figure("coverage", "  any false finding, 3 quantities", alarmed, "of 100", FALSE_ALARMS_PERCENT, "Holm")
        )
    return figures


def _run(plan: Plan, random: np.random.Generator) -> tuple[float, float]:
    held = alarmed = 0
    for _ in range(DRAWS):
        offset = random.normal(0, plan.tie, len(plan.strums)) if plan.tie else np.zeros(len(plan.strums))
        sides = [_subject(plan, index, offset[index], random) for index in range(len(plan.strums))]
        tie = Tie(plan.tie * 2**0.5)
        found = comparison(sides[0], sides[1:], QUANTITIES, ties=lambda *_, tie=tie: tie)
        first = found.rows[0]
        assert first.low is not None
        assert first.high is not None
        held += first.low <= 0.0 <= first.high
        alarmed += any(row.verdict != "no-difference-shown" for row in found.rows)
    return 100.0 * held / DRAWS, 100.0 * alarmed / DRAWS


def _subject(plan: Plan, index: int, offset: float, random: np.random.Generator) -> Subject:
    sd = plan.strum_sd[index] if plan.strum_sd else 1.0
    takes = []
    for number, strums in enumerate(plan.strums[index]):
        values = offset + plan.take_sd * _alike(random, 1) + sd * _alike(random, strums)
        takes.append(TakeValues(f"{index}.{number}", dict(zip(QUANTITIES, _tuples(values), strict=True))))
    return Subject(str(index), tuple(takes))


def _alike(random: np.random.Generator, strums: int) -> FloatArray:
    """Three quantities that go together, shape (3, strums), each of variance 1."""
    common = SHARED**0.5 * random.normal(size=(1, strums))
    return common + (1 - SHARED) ** 0.5 * random.normal(size=(len(QUANTITIES), strums))


def _tuples(values: FloatArray) -> Sequence[tuple[float, ...]]:
    return [tuple(float(value) for value in row) for row in values]
