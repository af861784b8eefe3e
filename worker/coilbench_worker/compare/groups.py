"""Groups of pickups by a field of the data sheet, such as passive against active: each pickup counts once.

The unit of observation is the pickup, not the strum: however often one pickup was strummed, it is one pickup. Groups
are compared by Welch over their pickups' values, with Holm over all pairs and quantities that were asked for.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import fsum, isfinite, sqrt
from typing import Literal

from coilbench_worker.compare.columns import column, in_a_sentence
from coilbench_worker.compare.confounding import Confounding, confounding, in_short
from coilbench_worker.compare.effect_size import hedges_g
from coilbench_worker.compare.estimate import Estimate
from coilbench_worker.compare.field_values import FieldValue, named, ordered, same
from coilbench_worker.compare.holm import holm
from coilbench_worker.compare.welch import mean_and_squares, welch
from coilbench_worker.compare.withheld import Withheld
from coilbench_worker.measure.statistics import CONFIDENCE, student_t

Verdict = Literal["higher", "lower", "no-difference-shown"]

ONE_PICKUP = "a group of one pickup gives no interval: it says nothing of how pickups of its kind differ"
NO_PICKUP = "no pickup of one of the groups has it"
NO_SCATTER = "the pickups of both groups read exactly alike: these are copies, not pickups that were measured"
NO_SAMPLE = (
    "The pickups of a collection are no random sample: what is said here holds for these pickups, and for others only "
    "as far as they are like these."
)
CHANCE = " By itself this interval leaves out zero; among all that was asked together it may be chance."
FEW = 5
"""Pickups of a group, below which one odd pickup can make or hide a difference: common practice, no source."""


@dataclass(frozen=True, slots=True)
class GroupMean:
    """A quantity over the pickups of a group, in its unit: mean, number, standard deviation and interval of the mean
    (Student t). `mean` is None without a pickup that has it, `sd`, `low` and `high` below two.
    """

    mean: float | None
    n: int
    sd: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Group:
    """The pickups that share a value of the field, and their means by quantity."""

    value: FieldValue
    members: tuple[str, ...]
    means: Mapping[str, GroupMean]


@dataclass(frozen=True, slots=True)
class Pair:
    """One quantity of two groups: `other` minus `baseline`, in the unit of a difference of the quantity.

    Without an interval `withheld` says why, and the numbers are None; of a group of one `difference` stands all the
    same, since it is a fact of these pickups.
    """

    baseline: FieldValue
    other: FieldValue
    quantity: str
    difference: float | None
    low: float | None = None
    high: float | None = None
    standard_error: float | None = None
    degrees_of_freedom: float | None = None
    g: float | None = None
    p: float | None = None
    p_holm: float | None = None
    verdict: Verdict | None = None
    withheld: str | None = None
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Grouping:
    """Groups of one field, all their pairs, the other fields that go with it, and what to bear in mind."""

    field: str
    confidence: float
    groups: tuple[Group, ...]
    pairs: tuple[Pair, ...]
    confounded: tuple[Confounding, ...]
    cautions: tuple[str, ...]


def groups(
    members: Mapping[str, Mapping[str, float]],
    field_of: Mapping[str, FieldValue],
    *,
    field: str,
    quantities: Sequence[str],
    sheets: Mapping[str, Mapping[str, FieldValue]] | None = None,
    confidence: float = CONFIDENCE,
) -> Grouping:
    """Group pickups by a field and compare the groups pair by pair.

    Parameters
    ----------
    members : of each pickup its values by flat key, one number a quantity (`pickup_value`), levels on one reference;
        a quantity that a pickup lacks is left out of its mapping
    field_of : of each pickup its value of the field; pickups without one are passed over (the caller names them)
    field : name of the field, for sentences
    quantities : flat keys, in the order of the answer
    sheets : of each pickup the other fields that could go with this one, by name: no names, notes or keys
    confidence : of the intervals, and for all pairs together of the verdicts

    Returns
    -------
    Grouping : groups in the order no, yes; numbers rising; text by letters (case and spaces don't count). Of each pair
        `baseline` is the earlier group. Nothing changes when pickups come in another order.

    Raises
    ------
    ValueError : a value that is not finite; a confidence outside 0 to 1
    KeyError : a quantity that is not in the catalogue
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1, not {confidence}")
    for pickup, values in members.items():
        if not all(isfinite(value) for value in values.values()):
            raise ValueError(f"a value of the pickup {pickup!r} is not finite")
    found = _groups(members, field_of, quantities, confidence)
    rows = [
        _pair(first, second, quantity, members, confidence)
        for quantity in quantities
        for first, second in combinations(found, 2)
    ]
    pairs = tuple(_with_sentence(pair, field, confidence) for pair in _judged(rows, confidence))
    shared = confounding([(one.value, one.members) for one in found], field, sheets or {})
    return Grouping(field, confidence, tuple(found), pairs, shared, _cautions(found, field, shared))


def _groups(
    members: Mapping[str, Mapping[str, float]],
    field_of: Mapping[str, FieldValue],
    quantities: Sequence[str],
    confidence: float,
) -> list[Group]:
    by_value: dict[FieldValue, tuple[FieldValue, list[str]]] = {}
    for pickup in sorted(members):
        if (value := field_of.get(pickup)) is not None:
            by_value.setdefault(same(value), (value, []))[1].append(pickup)
    return [
        Group(value, tuple(keys), {name: _mean(_values(keys, name, members), confidence) for name in quantities})
        for value, keys in sorted(by_value.values(), key=lambda entry: ordered(entry[0]))
    ]


def _values(keys: Sequence[str], quantity: str, members: Mapping[str, Mapping[str, float]]) -> list[float]:
    return [members[key][quantity] for key in keys if quantity in members[key]]


def _mean(values: Sequence[float], confidence: float) -> GroupMean:
    n = len(values)
    if n < 2:
        return GroupMean(values[0] if values else None, n, None, None, None)
    mean, squares = mean_and_squares(values)
    sd = sqrt(squares / (n - 1))
    half = student_t(n - 1, confidence) * sd / sqrt(n)
    return GroupMean(mean, n, sd, mean - half, mean + half)


def _pair(
    first: Group, second: Group, quantity: str, members: Mapping[str, Mapping[str, float]], confidence: float
) -> Pair:
    values_1, values_2 = (_values(one.members, quantity, members) for one in (first, second))
    if not values_1 or not values_2:
        return Pair(first.value, second.value, quantity, None, withheld=NO_PICKUP)
    difference = fsum(values_2) / len(values_2) - fsum(values_1) / len(values_1)
    bare = Pair(first.value, second.value, quantity, difference)
    if len(values_1) < 2 or len(values_2) < 2:
        return replace(bare, withheld=ONE_PICKUP)
    try:
        estimate = welch(values_1, values_2)
    except Withheld:  # two pickups on each side, so nothing scatters
        return replace(bare, difference=None, withheld=NO_SCATTER)
    return _with_numbers(bare, estimate, confidence)


def _with_numbers(pair: Pair, estimate: Estimate, confidence: float) -> Pair:
    low, high = estimate.interval(confidence)
    return replace(
        pair,
        difference=estimate.difference,
        low=low,
        high=high,
        standard_error=estimate.standard_error,
        degrees_of_freedom=estimate.degrees_of_freedom,
        g=hedges_g(estimate),
        p=estimate.p,
    )


def _judged(pairs: Sequence[Pair], confidence: float) -> list[Pair]:
    """Holm over all pairs and quantities that say something."""
    steps = iter(holm([pair.p for pair in pairs if pair.p is not None]))
    judged = []
    for pair in pairs:
        if pair.p is None or pair.difference is None:
            judged.append(pair)
            continue
        adjusted = next(steps).adjusted
        shown: Verdict = "higher" if pair.difference > 0.0 else "lower"
        verdict: Verdict = shown if adjusted < 1.0 - confidence else "no-difference-shown"
        judged.append(replace(pair, p_holm=adjusted, verdict=verdict))
    return judged


def _with_sentence(pair: Pair, field: str, confidence: float) -> Pair:
    meant = column(pair.quantity)
    unit, decimals = meant.unit_of_difference, meant.quantity.decimals
    what = in_a_sentence(meant.name)
    other, baseline = named(pair.other, field), named(pair.baseline, field)
    if pair.low is None or pair.high is None:
        sentence = f"{other} against {baseline}, {what}: {pair.withheld}."
    elif pair.verdict == "no-difference-shown":
        sentence = (
            f"{other} against {baseline}: no difference in {what} shown; it may lie anywhere from "
            f"{pair.low:+.{decimals}f} to {pair.high:+.{decimals}f} {unit}."
        )
        if pair.low > 0.0 or pair.high < 0.0:
            sentence += CHANCE
    else:
        word = meant.quantity.more if pair.verdict == "higher" else meant.quantity.less
        sentence = (
            f"{other} against {baseline}: {word}, {what} {pair.difference:+.{decimals}f} {unit} "
            f"({100 * confidence:.3g} %: {pair.low:+.{decimals}f} to {pair.high:+.{decimals}f})."
        )
    return replace(pair, sentence=sentence[0].upper() + sentence[1:])


def _cautions(found: Sequence[Group], field: str, shared: Sequence[Confounding]) -> tuple[str, ...]:
    cautions = []
    if len(found) == 1:
        cautions.append(f"All pickups have the same {field}, {named(found[0].value, field)}: nothing to compare.")
    if len(found) > 1:
        cautions.append(NO_SAMPLE)
        if all(len(one.members) == 1 for one in found):
            cautions.append(f"Every pickup has a {field} of its own: there are no groups to compare.")
        elif few := [one for one in found if len(one.members) < FEW]:
            sizes = ", ".join(f"{named(one.value, field)} {len(one.members)}" for one in few)
            cautions.append(
                f"Fewer than {FEW} pickups ({sizes}): a single odd one can make or hide a difference of its group."
            )
    return (*cautions, *in_short(shared, field))
