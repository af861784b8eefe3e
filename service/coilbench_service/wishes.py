"""A wish as it is sent, words and quantities, becomes what is wished for of each quantity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service import words
from coilbench_service.problems import FieldError, Problem
from coilbench_service.words import Meaning
from coilbench_worker.compare.choice import Wish
from coilbench_worker.compare.columns import columns
from coilbench_worker.compare.ear import audible, ear_step
from coilbench_worker.compare.words import DIRECTIONS, Direction

MOST_ITEMS = 20
"""Wishes in one request: beyond that nothing fits."""
MOST_AMOUNT = 1e6
"""In any unit; more is a slip of the hand."""
PROBLEMS = (kinds.WISH_UNKNOWN, kinds.WISH_CONTRADICTORY)


@dataclass(frozen=True)
class Wished:
    """One wish, and the words or keys by which it was asked for; `basis` says on whose word the ear's step is."""

    asked: str
    wish: Wish
    basis: str


def wishes_of(asked: Mapping[str, Any], known: Mapping[str, Meaning]) -> tuple[Wished, ...]:
    """Read a wish.

    Parameters
    ----------
    asked : by word or flat key. Of a quantity: more, less or same, or the wanted change as a number in its unit (0 is
        the same). Of a word: true, or a number that takes the place of its amount where it asks for one quantity only
    known : the words

    Raises
    ------
    Problem : invalid-request (nothing wished for, a value that can't be used), wish-unknown, wish-contradictory; each
        with every field at fault
    """
    if not asked:
        fault = FieldError("wish", 'is empty; name a word or a quantity, such as {"bright": true} or {"treble_db": 2}')
        raise Problem(kinds.INVALID_REQUEST, "Nothing is wished for.", errors=[fault])
    unknown = [FieldError(f"wish.{key}", wrong) for key in asked if (wrong := _fault_of_key(key, known)) is not None]
    if unknown:
        detail = "; ".join(f"{fault.field.removeprefix('wish.')!r} {fault.message}" for fault in unknown[:3])
        raise Problem(kinds.WISH_UNKNOWN, f"{detail}.", errors=unknown)
    read: list[Wished] = []
    faults: list[FieldError] = []
    for key, value in asked.items():
        meant = known.get(words.spelled(key))
        try:
            read += _of_word(key, meant, value) if meant is not None else [_of_quantity(key, value)]
        except ValueError as error:
            faults.append(FieldError(f"wish.{key}", str(error)))
    if faults:
        detail = "; ".join(f"{fault.field}: {fault.message}" for fault in faults[:3])
        raise Problem(kinds.INVALID_REQUEST, detail, errors=faults)
    found = _together(read)
    if len(found) > MOST_ITEMS:
        fault = FieldError("wish", f"asks for {len(found)} quantities; at most {MOST_ITEMS} are taken")
        raise Problem(kinds.INVALID_REQUEST, f"The wish {fault.message}.", errors=[fault])
    return found


def _fault_of_key(key: str, known: Mapping[str, Meaning]) -> str | None:
    """What is wrong with a key as something to wish for; None where nothing is."""
    if words.spelled(key) in known:
        return None
    if key in columns() or any(column.quantity.key == key for column in columns().values()):
        return words.fault_of_quantity(key)
    near = words.nearest(words.spelled(key), [*known, *audible()])
    return "is no word and no quantity" + (f"; near it: {', '.join(near)}" if near else "")


def _of_quantity(key: str, value: Any) -> Wished:
    """One quantity; ValueError says what is wrong with the value."""
    if isinstance(value, str) and value in DIRECTIONS:
        return _wished(key, key, value, None)
    if not _number(value):
        raise ValueError("must be more, less, same, or the wanted change as a number")
    if abs(value) > MOST_AMOUNT:
        raise ValueError(f"is a change beyond {MOST_AMOUNT:g}")
    if value == 0:
        return _wished(key, key, "same", None)
    return _wished(key, key, "more" if value > 0 else "less", abs(float(value)))


def _of_word(key: str, meaning: Meaning, value: Any) -> list[Wished]:
    """What a word asks for; ValueError says what is wrong with the value."""
    if value is True or value == "more":
        return [_wished(key, item.quantity, item.direction, item.amount) for item in meaning.items]
    if not _number(value) or not 0 < value <= MOST_AMOUNT:
        raise ValueError(f"is a word: say true, or how much as a number greater than 0; found {value!r:.40}")
    if len(meaning.items) > 1 or meaning.items[0].direction == "same":
        names = ", ".join(item.quantity for item in meaning.items)
        raise ValueError(f"asks for {names}, so that one number says nothing: say true, or name these with amounts")
    (item,) = meaning.items
    return [_wished(key, item.quantity, item.direction, float(value))]


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _wished(asked: str, quantity: str, direction: Direction, amount: float | None) -> Wished:
    step = ear_step(quantity)
    if step is None:
        raise ValueError(f"asks for {quantity}, of which no ear has a step")
    return Wished(asked, Wish(quantity, direction, amount, step.step), step.basis)


def _together(read: list[Wished]) -> tuple[Wished, ...]:
    """Each quantity once: an amount goes before a direction alone.

    Raises
    ------
    Problem : wish-contradictory
    """
    found: dict[str, Wished] = {}
    faults: list[FieldError] = []
    for one in read:
        other = found.get(one.wish.quantity)
        if other is None:
            found[one.wish.quantity] = one
            continue
        amounts = {one.wish.amount, other.wish.amount} - {None}
        if one.wish.direction != other.wish.direction or len(amounts) > 1:
            message = f"asks for {_said(one.wish)}, and {other.asked} for {_said(other.wish)}"
            faults.append(FieldError(f"wish.{one.asked}", message))
            continue
        chosen = other if one.wish.amount is None else one
        found[one.wish.quantity] = replace(chosen, asked=f"{other.asked}, {one.asked}")
    if faults:
        detail = "; ".join(f"{fault.field.removeprefix('wish.')} {fault.message}" for fault in faults[:3])
        raise Problem(kinds.WISH_CONTRADICTORY, f"{detail}.", errors=faults)
    return tuple(found.values())


def _said(wish: Wish) -> str:
    amount = "" if wish.amount is None else f" by {wish.amount:g}"
    return f"{'the ' if wish.direction == 'same' else ''}{wish.direction} {wish.quantity}{amount}"
