"""Fields that go together: what a difference between groups may be due to as well.

Where all battery-powered pickups are humbuckers and all passive ones single coils, no recording of these pickups tells
the battery from the coils. Counted on the pickups at hand; nothing is adjusted for.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from coilbench_worker.compare.field_values import FieldValue, named, same

Kind = Literal["same-split", "no-overlap", "one-alike"]

Members = tuple[FieldValue, Sequence[str]]
"""A value of a field, and the pickups that have it."""

RATINGS = ("rated_output_mv",)
"""Fields that say what a pickup gives, not what it is: they go with whatever moves the level."""
LEAST = 2
"""Pickups of a group that must have the other field before anything is said of it."""
MOST_SHARE = 0.5
"""A group counts as unlike one that is all of a kind when at most this share of it is: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Confounding:
    """Another field that goes with the one grouped by.

    `kind` : `same-split`, both fields divide all pickups in exactly the same way; `no-overlap`, these two groups have
    no value of the other field in common (of a number: its ranges lie apart); `one-alike`, all pickups of the first of
    `values` share a value that at most half of the second's have.
    """

    field: str
    kind: Kind
    values: tuple[FieldValue, ...]
    sentence: str


def confounding(
    members: Sequence[Members], field: str, sheets: Mapping[str, Mapping[str, FieldValue]]
) -> tuple[Confounding, ...]:
    """Find the other fields that go with the one grouped by.

    Parameters
    ----------
    members : for each value of the field, the pickups that have it
    field : its name
    sheets : of each pickup its other fields by name
    """
    names = sorted({name for _, keys in members for key in keys for name in sheets.get(key, {})} - {field, *RATINGS})
    found: list[Confounding] = []
    for name in names:
        values = [
            (value, [sheets[key][name] for key in keys if name in sheets.get(key, {})]) for value, keys in members
        ]
        if (whole := _same_split(members, field, name, values)) is not None:
            found.append(whole)
            continue
        for first, second in combinations(values, 2):
            if (one := _of_pair(field, name, first, second)) is not None:
                found.append(one)
    return tuple(found)


def in_short(found: Sequence[Confounding], field: str) -> tuple[str, ...]:
    """The same in few sentences: each field that divides alike, then one sentence for each pair of groups."""
    apart: dict[tuple[FieldValue, ...], list[str]] = {}
    alike: dict[tuple[FieldValue, ...], list[str]] = {}
    for one in found:
        if one.kind != "same-split":
            (apart if one.kind == "no-overlap" else alike).setdefault(one.values, []).append(one.field)
    sentences = [one.sentence for one in found if one.kind == "same-split"]
    for values, names in apart.items():
        first, second = (named(value, field) for value in values)
        sentences.append(
            f"{first[0].upper()}{first[1:]} and {second} have nothing in common in {', '.join(names)} either: what "
            f"differs between them may be due to {'it' if len(names) == 1 else 'any of these'} as well as to {field}."
        )
    for values, names in alike.items():
        first, second = (named(value, field) for value in values)
        sentences.append(
            f"{first[0].upper()}{first[1:]} pickups are all alike in {', '.join(names)}, where only some {second} ones "
            f"are like them: part of what differs may be due to that."
        )
    return tuple(sentences)


def _same_split(
    members: Sequence[Members], field: str, name: str, values: Sequence[tuple[FieldValue, Sequence[FieldValue]]]
) -> Confounding | None:
    """The other field has one value in each group, another in every group, and no pickup lacks it."""
    if len(members) < 2 or all(len(keys) < LEAST for _, keys in members):
        return None
    kinds = [{same(value) for value in there} for _, there in values]
    complete = all(len(there) == len(keys) for (_, there), (_, keys) in zip(values, members, strict=True))
    if not complete or any(len(kind) != 1 for kind in kinds) or len(set().union(*kinds)) != len(members):
        return None
    pairs = "; ".join(f"{named(group, field)}: {_said(there[0])}" for group, there in values)
    sentence = (
        f"{name} divides these pickups exactly as {field} does ({pairs}): what differs may be due to either, and these "
        "recordings can't tell which."
    )
    return Confounding(name, "same-split", tuple(group for group, _ in values), sentence)


def _of_pair(
    field: str,
    name: str,
    one_group: tuple[FieldValue, Sequence[FieldValue]],
    other_group: tuple[FieldValue, Sequence[FieldValue]],
) -> Confounding | None:
    (first, one), (second, other) = one_group, other_group
    if len(one) < LEAST or len(other) < LEAST:
        return None
    both = f"{named(first, field)} and {named(second, field)}"
    if _numbers(one) and _numbers(other):
        if not _apart(one, other):
            return None
        ranges = f"{_range(one)} against {_range(other)}"
        sentence = (
            f"{name} lies apart in {both} ({ranges}): what differs between them may be due to it as well as to {field}."
        )
        return Confounding(name, "no-overlap", (first, second), sentence)
    kinds, others = {same(value) for value in one}, {same(value) for value in other}
    repeated = len(kinds) < len(one) and len(others) < len(other)
    if repeated and not kinds & others:
        lists = f"{_list(one)} against {_list(other)}"
        sentence = (
            f"{both[0].upper()}{both[1:]} have no {name} in common ({lists}): what differs between them may be due to "
            f"it as well as to {field}."
        )
        return Confounding(name, "no-overlap", (first, second), sentence)
    for group, rest, alike, mixed in ((first, second, one, other), (second, first, other, one)):
        if (found := _one_alike(field, name, group, rest, alike, mixed)) is not None:
            return found
    return None


def _one_alike(
    field: str,
    name: str,
    group: FieldValue,
    rest: FieldValue,
    alike: Sequence[FieldValue],
    mixed: Sequence[FieldValue],
) -> Confounding | None:
    if len({same(value) for value in alike}) != 1:
        return None
    shared = sum(same(value) == same(alike[0]) for value in mixed)
    if not 0 < shared <= MOST_SHARE * len(mixed):
        return None
    kind = f"{name} {_said(alike[0])}"
    sentence = (
        f"All {len(alike)} {named(group, field)} pickups have {kind}, and {shared} of {len(mixed)} {named(rest, field)}"
        f" ones: part of what differs may be due to {name}. Comparing only those with {kind} takes that out."
    )
    return Confounding(name, "one-alike", (group, rest), sentence)


def _numbers(values: Sequence[FieldValue]) -> bool:
    return all(isinstance(value, int | float) and not isinstance(value, bool) for value in values)


def _floats(values: Sequence[FieldValue]) -> list[float]:
    return [float(value) for value in values]


def _apart(one: Sequence[FieldValue], other: Sequence[FieldValue]) -> bool:
    first, second = _floats(one), _floats(other)
    return max(first) < min(second) or max(second) < min(first)


def _range(values: Sequence[FieldValue]) -> str:
    low, high = min(_floats(values)), max(_floats(values))
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _list(values: Sequence[FieldValue]) -> str:
    return ", ".join(dict.fromkeys(_said(value) for value in values))


def _said(value: FieldValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{value:g}"
