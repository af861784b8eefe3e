"""A baseline against others: every quantity of every pair, adjusted together, with a verdict; and rankings.

One take of every subject: Welch, strum against strum. Several takes of any: the take is a random effect (`nested`).
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import hypot, inf, sqrt
from typing import Literal

from coilbench_worker.compare.effect_size import hedges_g
from coilbench_worker.compare.estimate import Estimate
from coilbench_worker.compare.holm import Step, adjusted, holm
from coilbench_worker.compare.nested import nested
from coilbench_worker.compare.observations import Subject, Tie, Ties, tied
from coilbench_worker.compare.power import MOST, POWER, fewest, power, smallest_shown
from coilbench_worker.compare.scatter import OUT_OF_LINE, Scatter, SubjectScatter, of_subject, out_of_line, pooled
from coilbench_worker.compare.welch import welch
from coilbench_worker.compare.withheld import NO_VALUES, Withheld
from coilbench_worker.measure.statistics import CONFIDENCE

Verdict = Literal["higher", "lower", "no-difference-shown"]
Method = Literal["welch", "nested"]

ONE_TAKE = "there is one take of each: plugging in again and another day are not in the interval"
SINGLE = "there is one take of {}: how far plugging in again moves it is taken from the others' takes"
LOOKS = 2
"""Tests of scatter for each quantity: of takes, and of strums."""
TOO_SMALL = f"no plan of up to {MOST} strums would show a difference as small as the one seen"
TIED_TOO_LOOSELY = "more strums would not settle it: the gains are not brought together closely enough"


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity of one pair; differences are other minus baseline. Without an interval, `withheld` says why.

    `takes` and `strums` count baseline and other. `smallest_shown` and `strums_to_settle` hold at the level that this
    row was held to within its family, with probability 0.8.
    """

    other: str
    quantity: str
    takes: tuple[int, int]
    strums: tuple[int, int]
    baseline_mean: float | None = None
    other_mean: float | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    standard_error: float | None = None
    degrees_of_freedom: float | None = None
    method: Method | None = None
    g: float | None = None
    p: float | None = None
    p_holm: float | None = None
    verdict: Verdict | None = None
    smallest_shown: float | None = None
    strums_to_settle: int | None = None
    takes_to_settle: int | None = None
    not_to_settle: str | None = None
    assumes: str | None = None
    withheld: str | None = None


@dataclass(frozen=True, slots=True)
class OutOfLine:
    """A subject whose takes or strums scatter more than the others': pooling does not do it justice."""

    subject: str
    quantity: str
    of: Literal["takes", "strums"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """All rows; by quantity the places, most first, and pairs on different places that can't be told apart.

    Places are adjusted over all pairs and quantities together: what they tell apart, the rows tell apart too.
    """

    baseline: str
    confidence: float
    rows: tuple[Row, ...]
    ranking: dict[str, tuple[tuple[str, ...], ...]]
    alike: dict[str, tuple[tuple[str, str], ...]]
    out_of_line: tuple[OutOfLine, ...]


@dataclass(frozen=True, slots=True)
class _Side:
    """One subject in one quantity."""

    key: str
    takes: tuple[tuple[float, ...], ...]
    scatter: SubjectScatter

    @property
    def strums(self) -> int:
        return sum(map(len, self.takes))


class _Field:
    """One quantity of all subjects."""

    def __init__(self, subjects: Sequence[Subject], quantity: str, ties: Ties) -> None:
        found = {subject.key: subject.of(quantity) for subject in subjects}
        self.quantity = quantity
        self._ties = ties
        self.sides = {key: _Side(key, takes, of_subject(takes)) for key, takes in found.items() if takes}
        self.shared = pooled([side.scatter for side in self.sides.values()])
        self.method: Method = "nested" if self.shared.free_takes else "welch"

    def tie(self, first: str, second: str) -> Tie:
        return self._ties(first, second, self.quantity)

    def estimate(self, first: str, second: str) -> Estimate:
        """Difference of two subjects; Withheld where nothing can be said."""
        tie = self.tie(first, second)
        if tie.withheld:
            raise Withheld(tie.withheld)
        for key in (first, second):
            if key not in self.sides:
                raise Withheld(NO_VALUES.format(key))
        one, other = self.sides[first], self.sides[second]
        if self.method == "nested":
            found = nested(one.scatter, other.scatter, self.shared)
        else:
            found = welch(one.takes[0], other.takes[0])
        return found.widened(tie.standard_uncertainty, tie.degrees_of_freedom)

    def out_of_line(self, level: float) -> list[OutOfLine]:
        """Subjects whose scatter pooling does not do justice, each test at the level given."""
        if self.method == "welch":
            return []
        sides = list(self.sides.values())
        looked = (
            ("takes", [side.scatter.squares_of_takes for side in sides], [side.scatter.free_takes for side in sides]),
            ("strums", [side.scatter.squares_of_strums for side in sides], [s.scatter.free_strums for s in sides]),
        )
        found = []
        for of, squares, free in looked:
            index = out_of_line(squares, free, level)
            if index is not None:
                found.append(OutOfLine(sides[index].key, self.quantity, "takes" if of == "takes" else "strums"))
        return found


def comparison(
    baseline: Subject,
    others: Sequence[Subject],
    quantities: Sequence[str],
    *,
    ties: Ties = tied,
    confidence: float = CONFIDENCE,
) -> Comparison:
    """Compare others with a baseline.

    Parameters
    ----------
    baseline, others : keys differ; levels on one reference
    quantities : columns, each once; one value of a take is a take's own quantity, several are its strums'
    ties : how levels hang together
    confidence : of intervals; verdicts hold together at 1 - confidence, 0 to 1

    Returns
    -------
    Comparison : a row for every other and quantity, in that order

    Raises
    ------
    ValueError : a key or a quantity twice, confidence out of range

    Source: see `welch`, `nested`, `holm`. Coverage: `make bench`.
    """
    subjects = [baseline, *others]
    keys = [subject.key for subject in subjects]
    if len(set(keys)) < len(keys) or len(set(quantities)) < len(quantities):
        raise ValueError("every subject and every quantity may be named once")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence lies between 0 and 1; got {confidence}")
    fields = {quantity: _Field(subjects, quantity, ties) for quantity in quantities}
    drafts = [_draft(fields[quantity], baseline.key, other.key, confidence) for other in others for quantity in fields]
    level = 1.0 - confidence
    steps = iter(holm([estimate.p for _, estimate in drafts if estimate is not None], level))
    rows = []
    for row, estimate in drafts:
        if estimate is not None:
            step = next(steps)
            field = fields[row.quantity]
            row = _judged(row, estimate, field, baseline.key, step, level)
        rows.append(row)
    looks = LOOKS * sum(field.method == "nested" for field in fields.values())
    ranked = _rankings(fields, keys, level)
    return Comparison(
        baseline=baseline.key,
        confidence=confidence,
        rows=tuple(rows),
        ranking={quantity: places for quantity, (places, _) in ranked.items()},
        alike={quantity: pairs for quantity, (_, pairs) in ranked.items()},
        out_of_line=tuple(one for field in fields.values() for one in field.out_of_line(OUT_OF_LINE / max(1, looks))),
    )


def intervals(
    baseline: Subject, others: Sequence[Subject], columns: Sequence[str], *, confidence: float = CONFIDENCE
) -> tuple[Row, ...]:
    """The same differences each by itself, for looking at many bands: no adjustment, no verdict."""
    subjects = [baseline, *others]
    fields = [_Field(subjects, column, tied) for column in columns]
    return tuple(_draft(field, baseline.key, other.key, confidence)[0] for other in others for field in fields)


def _draft(field: _Field, baseline: str, other: str, confidence: float) -> tuple[Row, Estimate | None]:
    """A row as far as it goes without the family, and its estimate."""
    one, two = field.sides.get(baseline), field.sides.get(other)
    tie = field.tie(baseline, other)
    row = Row(
        other,
        field.quantity,
        takes=(len(one.takes) if one else 0, len(two.takes) if two else 0),
        strums=(one.strums if one else 0, two.strums if two else 0),
        baseline_mean=one.scatter.mean if one else None,
        other_mean=two.scatter.mean if two else None,
    )
    try:
        estimate = field.estimate(baseline, other)
    except Withheld as why:
        return replace(row, withheld=str(why)), None
    low, high = estimate.interval(confidence)
    trust = [one for one in (tie.assumes, *_on_trust(field, baseline, other)) if one]
    found = replace(
        row,
        difference=estimate.difference,
        low=low,
        high=high,
        standard_error=estimate.standard_error,
        degrees_of_freedom=None if estimate.degrees_of_freedom == inf else estimate.degrees_of_freedom,
        method=field.method,
        g=hedges_g(estimate),
        p=estimate.p,
        assumes="; ".join(trust) or None,
    )
    return found, estimate


def _on_trust(field: _Field, *keys: str) -> list[str]:
    """What the number of takes leaves to be believed."""
    if field.method == "welch":
        return [ONE_TAKE]
    single = [key for key in keys if len(field.sides[key].takes) == 1]
    return [SINGLE.format(" and of ".join(single))] if single else []


def _judged(row: Row, estimate: Estimate, field: _Field, baseline: str, step: Step, level: float) -> Row:
    """The row with what the family makes of it."""
    own_level = level / step.divisor
    looks = [estimate, *([estimate.bare] if estimate.bare else [])]
    shown = [smallest_shown(each.standard_error, each.degrees_of_freedom, own_level) for each in looks]
    known = [each for each in shown if each is not None]
    least = max(known) if len(known) == len(shown) else None
    judged = replace(row, p_holm=step.adjusted, smallest_shown=least)
    if step.adjusted < level:
        return replace(judged, verdict="higher" if estimate.difference > 0 else "lower")
    return _settled(replace(judged, verdict="no-difference-shown"), estimate, field, baseline, own_level)


def _settled(row: Row, estimate: Estimate, field: _Field, baseline: str, level: float) -> Row:
    """How many strums, in how many takes, would show the difference that was seen."""
    one, two = field.sides[baseline], field.sides[row.other]
    seen = abs(estimate.difference)
    uncertainty = field.tie(baseline, row.other).standard_uncertainty
    if uncertainty and power(seen, uncertainty, inf, level) < POWER:
        return replace(row, not_to_settle=TIED_TOO_LOOSELY)
    if field.method == "welch":
        variances = [side.scatter.squares_of_strums / side.scatter.free_strums for side in (one, two)]

        def enough(strums: int) -> bool:
            error = hypot(sqrt(sum(variances) / strums), uncertainty)
            return power(seen, error, 2.0 * (strums - 1), level) >= POWER

        number = fewest(enough, 2) if seen > 0 else None
        return replace(row, strums_to_settle=number, not_to_settle=None if number else TOO_SMALL)
    rest = field.shared.free_takes - one.scatter.free_takes - two.scatter.free_takes
    per_take = max(1, round((one.strums + two.strums) / (len(one.takes) + len(two.takes))))
    variance = _take_variance(field.shared, per_take)

    def enough_takes(takes: int) -> bool:
        error = hypot(sqrt(2.0 * variance / takes), uncertainty)
        return power(seen, error, float(2 * (takes - 1) + rest), level) >= POWER

    takes = fewest(enough_takes, 2) if seen > 0 else None
    if takes is None or takes * per_take > MOST:
        return replace(row, not_to_settle=TOO_SMALL)
    return replace(row, takes_to_settle=takes, strums_to_settle=takes * per_take)


def _take_variance(shared: Scatter, strums: int) -> float:
    """Variance of the mean of a take of so many strums."""
    if shared.between_variance == 0.0 and shared.strum_variance == 0.0:
        return shared.take_variance or 0.0
    return shared.between_variance + shared.strum_variance / strums


Places = tuple[tuple[str, ...], ...]
Pairs = tuple[tuple[str, str], ...]


def _rankings(fields: Mapping[str, _Field], keys: Sequence[str], level: float) -> dict[str, tuple[Places, Pairs]]:
    """Places and pairs that can't be told apart, by quantity, all adjusted together."""
    orders = {quantity: _order(field, keys) for quantity, field in fields.items()}
    known: dict[tuple[str, str, str], float] = {}
    for quantity, order in orders.items():
        for first, second in combinations(order, 2):
            try:
                known[quantity, first, second] = fields[quantity].estimate(first, second).p
            except Withheld:
                continue
    below = adjusted(list(known.values()))
    apart = {pair for pair, p_holm in zip(known, below, strict=True) if p_holm < level}
    return {
        quantity: _places(order, {(first, second) for of, first, second in apart if of == quantity})
        for quantity, order in orders.items()
    }


def _order(field: _Field, keys: Sequence[str]) -> list[str]:
    """Subjects by their mean, most first; without those whose levels do not hang together with the first one's."""
    first = keys[0]
    there = [key for key in keys if key in field.sides and (key == first or not field.tie(first, key).withheld)]
    return sorted(there, key=lambda key: -field.sides[key].scatter.mean)


def _places(order: Sequence[str], apart: Collection[tuple[str, str]]) -> tuple[Places, Pairs]:
    """A subject joins a place if it can't be told from anyone there."""
    places: list[list[str]] = []
    for key in order:
        if places and all((member, key) not in apart for member in places[-1]):
            places[-1].append(key)
        else:
            places.append([key])
    place_of = {key: number for number, place in enumerate(places) for key in place}
    alike = tuple(
        pair for pair in combinations(order, 2) if pair not in apart and place_of[pair[0]] != place_of[pair[1]]
    )
    return tuple(map(tuple, places)), alike
