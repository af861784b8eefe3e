"""Descriptions of takes: which fields there are, how text becomes a value, when two descriptions are the same.

Fields that are not known here go along as they are; the service keeps them under `extra`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from coilbench.errors import BadDescription

TEXT_FIELDS = (
    *("label", "session", "pickup", "chain", "guitar", "position", "strings", "tuning", "pick", "player", "cable"),
    "notes",
)
NUMBER_FIELDS = ("input_gain_db", "battery_v")
COUNT_FIELDS = ("expected_strums", "channel")
LIST_FIELDS = ("tags",)
FIELDS = (*TEXT_FIELDS, *NUMBER_FIELDS, *COUNT_FIELDS, *LIST_FIELDS)


def parse(field: str, text: str, *, decimal_comma: bool = False) -> Any:
    """The value of a field from text.

    Parameters
    ----------
    field : its name
    text : as it stands in a manifest or a command; not empty
    decimal_comma : read `7,5` as 7.5 (tables separated by semicolons)

    Returns
    -------
    float for `input_gain_db` and `battery_v`; int for `expected_strums` and `channel`; list of text for `tags`
    (separated by semicolons); otherwise the text

    Raises
    ------
    BadDescription : not a number where one belongs
    """
    text = text.strip()
    if field in NUMBER_FIELDS:
        return parse_number(field, text.replace(",", ".") if decimal_comma else text)
    if field in COUNT_FIELDS:
        return _count(field, text)
    if field in LIST_FIELDS:
        return [part.strip() for part in text.split(";") if part.strip()]
    return text


def parse_setting(setting: str) -> tuple[str, Any]:
    """Name and value of a `name=value`.

    Parameters
    ----------
    setting : as typed

    Raises
    ------
    BadDescription : no name, no value, or not a number where one belongs
    """
    name, equals, text = setting.partition("=")
    name = name.strip()
    if not equals or not name or not text.strip():
        raise BadDescription(f"{setting!r} is not of the form name=value, such as pickup=mill-bridge")
    return name, parse(name, text)


def canonical(about: Mapping[str, Any]) -> dict[str, Any]:
    """A description in the one form in which descriptions are compared and keyed.

    Known fields at the top, others under `extra`, nothing that is empty, whole numbers as int, tags
    sorted and each once.

    Parameters
    ----------
    about : as given or as the service holds it
    """
    known: dict[str, Any] = {}
    extra: dict[str, Any] = {}
    for field, value in about.items():
        if field == "extra" and isinstance(value, Mapping):
            extra.update({name: _plain(inner) for name, inner in value.items() if not _empty(inner)})
        elif not _empty(value):
            (known if field in FIELDS else extra)[field] = _plain(value)
    if isinstance(known.get("tags"), list):
        known["tags"] = sorted(set(known["tags"]))
    if extra:
        known["extra"] = extra
    return known


def same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two descriptions say the same.

    Parameters
    ----------
    one, other : as given or as the service holds them
    """
    return canonical(one) == canonical(other)


def canonical_json(about: Mapping[str, Any]) -> str:
    """The canonical form as JSON text with sorted keys.

    Parameters
    ----------
    about : as given

    Raises
    ------
    BadDescription : a value that JSON can't hold
    """
    try:
        return json.dumps(canonical(about), sort_keys=True, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as cause:
        raise BadDescription(f"The description holds a value that JSON can't carry: {cause}") from cause


def parse_number(field: str, text: str) -> float:
    """A finite number from text.

    Parameters
    ----------
    field : its name, for the message
    text : as typed

    Raises
    ------
    BadDescription : not a number
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadDescription(f"{field} must be a number, such as 12.5; found {text!r}")
    return value


def _count(field: str, text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise BadDescription(f"{field} must be a whole number from 1 up; found {text!r}")
    return int(text)


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, tuple):
        return list(value)
    return value


def _empty(value: Any) -> bool:
    return value is None or value == "" or value == [] or value == ()
