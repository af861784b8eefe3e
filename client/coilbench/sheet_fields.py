"""Fields of sheets from text, as commands have them: NAME=VALUE, with nothing after the sign to take a field out."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from coilbench.description import FIELDS, parse, parse_number
from coilbench.errors import BadDescription
from coilbench.sheet import PICKUP_COUNTS, PICKUP_FLAGS, PICKUP_NUMBERS, PICKUP_TEXTS, SESSION_FIELDS

CONDITION = "conditions."
"""Begin of the name of a condition of one's own."""

YES, NO = ("true", "yes", "1"), ("false", "no", "0")


def pickup_fields(settings: Iterable[str]) -> dict[str, Any]:
    """Fields of a pickup's sheet.

    Parameters
    ----------
    settings : NAME=VALUE each; names that are not known are fields of one's own

    Raises
    ------
    BadDescription : no name, or a value that the field can't have
    """
    fields: dict[str, Any] = {}
    for setting in settings:
        name, text = _parted(setting)
        fields[name] = _pickup_value(name, text) if text else None
    return fields


def session_fields(settings: Iterable[str]) -> dict[str, Any]:
    """Fields of a session's sheet; what takes inherit goes under `conditions`.

    Parameters
    ----------
    settings : NAME=VALUE each: name, notes, date, or a field of a take's description; `conditions.NAME` is a condition
        of one's own, any other name a field of one's own

    Raises
    ------
    BadDescription : no name, or a value that the field can't have
    """
    fields: dict[str, Any] = {}
    for setting in settings:
        name, text = _parted(setting)
        if name in SESSION_FIELDS:
            fields[name] = text or None
        elif name in FIELDS or name.startswith(CONDITION):
            plain = name.removeprefix(CONDITION)
            value = (parse(plain, text) if plain in FIELDS else _own_value(text)) if text else None
            fields.setdefault("conditions", {})[plain] = value
        else:
            fields[name] = _own_value(text) if text else None
    return fields


def own_names(fields: Iterable[str], known: Iterable[str]) -> list[str]:
    """Names among those given that are nobody's but the user's own, which a slip of the finger makes too.

    Parameters
    ----------
    fields : names that were given
    known : names that the sheet knows
    """
    taken = set(known)
    return [name for name in fields if name not in taken]


def _parted(setting: str) -> tuple[str, str]:
    name, equals, text = setting.partition("=")
    if not equals or not name.strip():
        raise BadDescription(f"{setting!r} is not of the form NAME=VALUE, such as magnet=ceramic")
    return name.strip(), text.strip()


def _pickup_value(name: str, text: str) -> Any:
    if name in PICKUP_TEXTS:
        return text
    if name in PICKUP_FLAGS:
        if text.casefold() not in (*YES, *NO):
            raise BadDescription(f"{name} must be yes or no; found {text!r}")
        return text.casefold() in YES
    if name in PICKUP_COUNTS:
        if not text.isdecimal():
            raise BadDescription(f"{name} must be a whole number, such as 5000; found {text!r}")
        return int(text)
    if name in PICKUP_NUMBERS:
        return parse_number(name, text)
    return _own_value(text)


def _own_value(text: str) -> Any:
    """A number, true, false or a list where the text is one in JSON; otherwise the text."""
    try:
        found = json.loads(text, parse_constant=lambda _: text)
    except ValueError:
        return text
    return text if found is None else found
