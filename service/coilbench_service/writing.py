"""How reports, pages and charts write things down for people: figures with a real minus sign, lists, any value."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from math import isfinite
from typing import Any

MINUS = "\N{MINUS SIGN}"
NOTHING = "\N{EN DASH}"
_SIGN = re.compile(r"(?<![\w.)\]-])-(?=\d)")


def figure(value: float | None, decimals: int = 1) -> str:
    """A number with so many decimals, zero without a sign; a dash for None."""
    if value is None or not isfinite(value):
        return NOTHING
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", MINUS)


def signed(value: float | None, decimals: int = 1) -> str:
    """A difference: with its sign also when that is plus."""
    text = figure(value, decimals)
    return text if value is None or text.startswith(MINUS) or float(text) == 0 else f"+{text}"


def hertz(value: float) -> str:
    """A frequency, Hz, to three digits with its unit."""
    return f"{value / 1000:.3g} kHz" if value >= 1000 else f"{value:.3g} Hz"


def interval(low: float | None, high: float | None, decimals: int) -> str:
    """Both ends; a dash where there is none."""
    if low is None or high is None:
        return NOTHING
    return f"{figure(low, decimals)} to {figure(high, decimals)}"


def said(sentence: str) -> str:
    """A sentence of the service with real minus signs."""
    return _SIGN.sub(MINUS, sentence)


def listed(names: Iterable[str], word: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    *first, last = list(names) or [NOTHING]
    return f"{', '.join(first)} {word} {last}" if first else last


def some(names: Iterable[str], most: int) -> str:
    """The first of many, and how many more there are."""
    every = list(names)
    more = len(every) - most
    return listed(every) if more <= 0 else f"{', '.join(every[:most])} and {more} more"


def counted(number: int, one: str, many: str | None = None) -> str:
    """`1 take`, `2 takes`."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"


def plain(value: Any) -> str:
    """Any value of a description or setting as text."""
    if value is None:
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.12g}".replace("-", MINUS) if isinstance(value, float) else str(value).replace("-", MINUS)
    if isinstance(value, list):
        return ", ".join(plain(one) for one in value)
    if isinstance(value, Mapping):
        return "; ".join(f"{name}: {plain(one)}" for name, one in value.items())
    return str(value)


def capital(text: str) -> str:
    """The text as a sentence begins."""
    return text[:1].upper() + text[1:]


def moment(text: str) -> str:
    """An RFC 3339 time in UTC for people."""
    when = datetime.fromisoformat(text)
    return f"{when.day} {when:%B %Y, %H:%M} UTC"
