"""The columns of sheets in CSV: `key`, the fields by their names, then fields of one's own under theirs.

A session's conditions stand under their plain names too, and conditions of one's own under `conditions.NAME`. Cells of
known fields are read by the field's type. A cell of one's own is read as JSON where it is JSON, so that 7.2 is a number
and ["a", "b"] a list, and as text otherwise; text that could be read as JSON is written in JSON's quotation marks.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel

from coilbench_service import json_document
from coilbench_service.about import Conditions
from coilbench_service.json_document import BadJson
from coilbench_service.sheet import CONDITION, SessionSheet, fields_of
from coilbench_service.table.csv_text import defused

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
NUMBER_WITH_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
YES, NO = ("true", "yes", "1"), ("false", "no", "0")
EXCERPT_CHARACTERS = 40


@dataclass(frozen=True)
class SheetColumn:
    """One column: its name in the header, where its value is in a sheet, and the type of its field; None: one's own."""

    name: str
    path: tuple[str, ...]
    type: type | None = None

    def of(self, sheet: Mapping[str, Any]) -> Any:
        """Its value in a sheet; None where nothing is said."""
        value: Any = sheet
        for name in self.path:
            value = value.get(name) if isinstance(value, Mapping) else None
        return value

    def put(self, sheet: dict[str, Any], value: Any) -> None:
        """Put a value into the sheet; None takes out what is there."""
        *places, name = self.path
        for place in places:
            sheet = sheet.setdefault(place, {})
        if value is None:
            sheet.pop(name, None)
        else:
            sheet[name] = value


def known_columns(model: type[BaseModel]) -> dict[str, SheetColumn]:
    """The columns of the fields of a sheet, by name."""
    found: dict[str, SheetColumn] = {}
    for name in fields_of(model):
        if model is SessionSheet and name == "conditions":
            for one in fields_of(Conditions):
                found[one] = SheetColumn(one, ("conditions", one), _type_of(Conditions, one))
        else:
            found[name] = SheetColumn(name, (name,), _type_of(model, name))
    return found


def own_column(model: type[BaseModel], name: str) -> SheetColumn:
    """The column of a field of one's own, from its name in the header."""
    if model is SessionSheet and name.startswith(CONDITION):
        return SheetColumn(name, ("conditions", "extra", name.removeprefix(CONDITION)))
    return SheetColumn(name, ("extra", name))


def all_columns(model: type[BaseModel], sheets: Iterable[Mapping[str, Any]]) -> list[SheetColumn]:
    """The columns that these sheets need: all known ones, then their own in the order in which they come."""
    own: dict[str, SheetColumn] = {}
    for sheet in sheets:
        names = [*(sheet.get("extra") or {})]
        names += [f"{CONDITION}{name}" for name in (sheet.get("conditions") or {}).get("extra") or {}]
        own |= {name: own_column(model, name) for name in names if name not in own}
    return [*known_columns(model).values(), *own.values()]


def written(column: SheetColumn, value: Any) -> str:
    """A value as the text of a cell."""
    if value is None:
        return ""
    if column.type is None:
        return _own_text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value).removesuffix(".0")
    return defused(str(value))


def value_of(column: SheetColumn, cell: str, *, decimal_comma: bool, mixed: bool) -> Any:
    """The value of a cell.

    Parameters
    ----------
    cell : its text, without spaces at the ends, not empty
    decimal_comma : whether 7,2 is a number here
    mixed : whether other numbers of the file have a decimal comma, so that a point may group thousands

    Raises
    ------
    ValueError : it can't be read; the message says what is wanted
    """
    if column.type is None:
        return _own_value(cell, decimal_comma=decimal_comma)
    if column.type is bool:
        if cell.casefold() not in (*YES, *NO):
            raise ValueError(f"{_excerpt(cell)} is neither yes nor no; write true or false")
        return cell.casefold() in YES
    if column.type is str:
        return cell
    return _number(cell, column.type, decimal_comma=decimal_comma, mixed=mixed)


def _number(cell: str, wanted: type, *, decimal_comma: bool, mixed: bool) -> int | float:
    if decimal_comma and mixed and "." in cell:
        raise ValueError(f"{_excerpt(cell)} has a point where other numbers have a decimal comma; write it as they are")
    text = cell.replace(",", ".") if decimal_comma and NUMBER_WITH_COMMA.fullmatch(cell) else cell
    if not NUMBER.fullmatch(text):
        hint = "; a decimal comma is taken where cells are separated by semicolon or TAB" if "," in cell else ""
        raise ValueError(f"{_excerpt(cell)} is not a number; write digits alone, such as 7.2{hint}")
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{_excerpt(cell)} is too large")
    if wanted is not int:
        return number
    if not number.is_integer():
        raise ValueError(f"{_excerpt(cell)} is not a whole number")
    return int(number)


def _own_text(value: Any) -> str:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return json.dumps(value)
    if isinstance(value, str) and value and value == value.strip() and _json_of(value) is None:
        return defused(value)
    return json.dumps(value, ensure_ascii=False)


def _own_value(cell: str, *, decimal_comma: bool) -> Any:
    if decimal_comma and NUMBER_WITH_COMMA.fullmatch(cell):
        return float(cell.replace(",", "."))
    found = _json_of(cell)
    return cell if found is None else found[0]


def _json_of(text: str) -> tuple[Any] | None:
    """The value of text that is JSON as it is taken here; None when it is not."""
    try:
        value = json_document.read(text)
        json_document.read(json.dumps({"cell": value}))  # texts are looked at within an object
    except (BadJson, RecursionError):
        return None
    return (value,)


def _type_of(model: type[BaseModel], name: str) -> type:
    found = set(_types_in(model.model_fields[name].annotation))
    return next(one for one in (bool, int, float, str) if one in found)


def _types_in(annotation: Any) -> Iterator[Any]:
    yield annotation
    for part in get_args(annotation):
        yield from _types_in(part)


def _excerpt(cell: str) -> str:
    return repr(cell if len(cell) <= EXCERPT_CHARACTERS else f"{cell[: EXCERPT_CHARACTERS - 3]}...")
