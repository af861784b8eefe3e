"""Which candidates come closest to a wish: the miss of each wish, in its unit, in uncertainties and in steps of an ear.

What a player expects of a wish decides what counts as a miss:

- more or less *by an amount* (treble 2 dB more): the miss is the distance from that amount, whichever side; 4 dB more
  is a miss of 2 dB. Met within one step that an ear can tell.
- more or less *without an amount* (brighter): met by a change of one ear step or more in that direction; going further
  is no miss. Short of that, the miss is what is wanting to one step.
- the same: the miss is the change, whichever side. Met within one ear step.

The total miss is the root of the sum of squares of the misses in ear steps: two misses of one step each weigh as one of
1.4. This is our own definition; no ear was asked.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import fsum, hypot, inf, isfinite, sqrt

from coilbench_worker.compare.words import Direction
from coilbench_worker.measure.statistics import CONFIDENCE, student_t
from coilbench_worker.measure.uncertainty import effective_degrees


@dataclass(frozen=True, slots=True)
class Wish:
    """One wish: a quantity, a direction, for more and less perhaps an amount > 0, and the ear's step > 0; amount and
    step in the unit of a difference of the quantity.
    """

    quantity: str
    direction: Direction
    amount: float | None
    ear_step: float

    def __post_init__(self) -> None:
        """Raise ValueError unless amount and step are finite and > 0; sameness has no amount."""
        if not (isfinite(self.ear_step) and self.ear_step > 0.0):
            raise ValueError(f"the ear's step of {self.quantity} must be greater than 0, not {self.ear_step}")
        if self.amount is not None and (self.direction == "same" or not (isfinite(self.amount) and self.amount > 0.0)):
            raise ValueError(f"{self.direction} of {self.quantity} by {self.amount} is no wish")

    def missed_by(self, change: float) -> float:
        """How far a change is from the wish, >= 0, in the unit of the quantity."""
        if self.direction == "same":
            return abs(change)
        along = change if self.direction == "more" else -change
        return max(0.0, self.ear_step - along) if self.amount is None else abs(along - self.amount)

    def fulfilled_from_to(self) -> tuple[float, float]:
        """The changes that fulfil the wish, least and greatest, either may be infinite."""
        if self.direction == "same":
            return -self.ear_step, self.ear_step
        least = self.ear_step if self.amount is None else self.amount - self.ear_step
        most = inf if self.amount is None else self.amount + self.ear_step
        return (least, most) if self.direction == "more" else (-most, -least)


@dataclass(frozen=True, slots=True)
class Change:
    """How a candidate differs from the reference in one quantity: candidate minus reference, its standard error >= 0
    and degrees of freedom >= 1 (infinity where nothing was estimated); or why nothing can be said.
    """

    change: float | None
    standard_error: float | None = None
    degrees_of_freedom: float = inf
    withheld: str | None = None


@dataclass(frozen=True, slots=True)
class Miss:
    """One wish held against one candidate.

    `low` and `high` bound the change. `miss` in the unit of the quantity, `miss_in_uncertainty` in standard errors of
    the change (None where that is zero), `miss_in_ear_steps` in steps. `sure` says whether `met` would be the same for
    every change within the interval. All None where `withheld` says why.
    """

    quantity: str
    change: float | None
    low: float | None = None
    high: float | None = None
    miss: float | None = None
    miss_in_uncertainty: float | None = None
    miss_in_ear_steps: float | None = None
    met: bool | None = None
    sure: bool | None = None
    withheld: str | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """One candidate: its place (1 is closest), whether every wish is met, its total miss in ear steps with the standard
    uncertainty of that, and wish by wish. `place` and `miss` are None where a wish that others could be held against is
    withheld.
    """

    key: str
    place: int | None
    fits: bool
    miss: float | None
    uncertainty: float | None
    items: tuple[Miss, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """The candidates, closest first; `unsaid` are wishes that could be held against none of them, and that the order
    therefore leaves out.
    """

    ranking: tuple[Candidate, ...]
    unsaid: tuple[str, ...]

    @property
    def fits(self) -> tuple[str, ...]:
        """The candidates that meet every wish."""
        return tuple(one.key for one in self.ranking if one.fits)


@dataclass(frozen=True, slots=True)
class _Total:
    """A total miss with what tells two apart."""

    miss: float
    uncertainty: float
    degrees_of_freedom: float


def choose(
    wishes: Sequence[Wish], changes: Mapping[str, Mapping[str, Change]], confidence: float = CONFIDENCE
) -> Choice:
    """Rank candidates by how far they are from a wish.

    Parameters
    ----------
    wishes : at least one; each quantity at most once
    changes : of each candidate by key, its change in each quantity wished for
    confidence : of the intervals, and of telling two totals apart

    Returns
    -------
    Choice : sorted by total miss. A candidate shares the place before it when it can't be told from any that has this
        place: their totals differ by less than Student's t times the uncertainty of the difference. After a place
        shared by two comes the next but one. Changes of two candidates share the reference's own scatter, which is
        not taken off: places are rather shared than parted. No correction is made for the number of candidates.

    Raises
    ------
    ValueError : no wish, a quantity twice, a confidence outside 0 to 1, a change that is not finite
    """
    if not wishes or len({wish.quantity for wish in wishes}) < len(wishes):
        raise ValueError("a wish names at least one quantity, and each only once")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1, not {confidence}")
    misses = {key: tuple(_miss(wish, of[wish.quantity], confidence) for wish in wishes) for key, of in changes.items()}
    unsaid = {
        wish.quantity
        for index, wish in enumerate(wishes)
        if misses and all(of[index].miss is None for of in misses.values())
    }
    counted = [wish for wish in wishes if wish.quantity not in unsaid]
    totals = {key: _total(counted, misses[key], of) for key, of in changes.items()}
    placed = sorted((key for key in totals if totals[key]), key=lambda key: (_known(totals[key]).miss, key))
    places = _places([_known(totals[key]) for key in placed], confidence)
    ranked = [_candidate(key, place, totals[key], misses[key]) for key, place in zip(placed, places, strict=True)]
    rest = [_candidate(key, None, None, misses[key]) for key in sorted(totals) if totals[key] is None]
    return Choice((*ranked, *rest), tuple(wish.quantity for wish in wishes if wish.quantity in unsaid))


def _miss(wish: Wish, change: Change, confidence: float) -> Miss:
    if change.change is None or change.standard_error is None:
        return Miss(wish.quantity, None, withheld=change.withheld or "it was not measured")
    if not (isfinite(change.change) and isfinite(change.standard_error)):
        raise ValueError(f"a change of {wish.quantity} is not finite")
    half = student_t(change.degrees_of_freedom, confidence) * change.standard_error
    low, high = change.change - half, change.change + half
    missed = wish.missed_by(change.change)
    least, most = wish.fulfilled_from_to()
    met = least <= change.change <= most
    return Miss(
        quantity=wish.quantity,
        change=change.change,
        low=low,
        high=high,
        miss=missed,
        miss_in_uncertainty=missed / change.standard_error if change.standard_error > 0.0 else None,
        miss_in_ear_steps=missed / wish.ear_step,
        met=met,
        sure=least <= low and high <= most if met else high < least or low > most,
    )


def _total(wishes: Sequence[Wish], misses: Sequence[Miss], changes: Mapping[str, Change]) -> _Total | None:
    """Root of the sum of squares in ear steps; its uncertainty by the law of propagation.

    Near a total of 0 that law is of no use (the root has no slope there): below the spread of all changes in ear steps
    that spread is the uncertainty.
    """
    if not wishes:
        return None
    by_quantity = {one.quantity: one for one in misses}
    parts: list[tuple[float, float, float]] = []
    for wish in wishes:
        steps, change = by_quantity[wish.quantity].miss_in_ear_steps, changes[wish.quantity]
        if steps is None or change.standard_error is None:
            return None
        parts.append((steps, change.standard_error / wish.ear_step, change.degrees_of_freedom))
    total = sqrt(fsum(steps * steps for steps, _, _ in parts))
    spread = sqrt(fsum(error * error for _, error, _ in parts))
    weights = [steps / total if total > spread else 1.0 for steps, _, _ in parts]
    components = [
        (weight * error, None if degrees == inf else degrees)
        for weight, (_, error, degrees) in zip(weights, parts, strict=True)
    ]
    degrees = effective_degrees(components)
    uncertainty = sqrt(fsum(error * error for error, _ in components))
    return _Total(total, uncertainty, inf if degrees is None else max(1.0, degrees))


def _known(total: _Total | None) -> _Total:
    assert total is not None
    return total


def _places(totals: Sequence[_Total], confidence: float) -> list[int]:
    """Places of totals that rise."""
    places: list[int] = []
    for index, total in enumerate(totals):
        begin = places[-1] - 1 if places else 0
        alike = bool(places) and all(not _apart(other, total, confidence) for other in totals[begin:index])
        places.append(places[-1] if alike else index + 1)
    return places


def _apart(first: _Total, second: _Total, confidence: float) -> bool:
    both = [
        (one.uncertainty, None if one.degrees_of_freedom == inf else one.degrees_of_freedom) for one in (first, second)
    ]
    degrees = effective_degrees(both)
    limit = student_t(inf if degrees is None else max(1.0, degrees), confidence)
    return abs(first.miss - second.miss) > limit * hypot(first.uncertainty, second.uncertainty)


def _candidate(key: str, place: int | None, total: _Total | None, misses: tuple[Miss, ...]) -> Candidate:
    return Candidate(
        key=key,
        place=place,
        fits=all(one.met is True for one in misses),
        miss=None if total is None else total.miss,
        uncertainty=None if total is None else total.uncertainty,
        items=misses,
    )
