"""The fields of sheets on pages: all that the API has, with its types, and values that survive being typed."""

from __future__ import annotations

import json
from typing import Any

import pytest

from coilbench_service.page import sheet_fields
from coilbench_service.page.sheet_fields import own_fields, typed_number
from coilbench_service.sheet_columns import known_columns
from coilbench_service.sheet_kind import PICKUP, SESSION, SheetKind
from coilbench_service.writing import plain


@pytest.mark.parametrize("kind", [PICKUP, SESSION])
def test_every_field_of_a_sheet_stands_on_its_page_once(kind: SheetKind) -> None:
    names = [field.name for group in sheet_fields.GROUPS[kind.name] for field in group.fields]
    assert sorted(names) == sorted(".".join(column.path) for column in known_columns(kind.model).values())


@pytest.mark.parametrize("kind", [PICKUP, SESSION])
def test_units_of_labels_are_those_of_the_names(kind: SheetKind) -> None:
    units = ("ohm", "H", "pF", "nF", "mm", "mV", "dB", "V")
    endings = {f"_{unit.lower()}": unit for unit in units} | {"_c": "°C", "_awg": "AWG"}
    for group in sheet_fields.GROUPS[kind.name]:
        for field in group.fields:
            wanted = next((unit for end, unit in endings.items() if field.name.endswith(end)), "")
            assert field.unit == wanted, field.name


def test_kinds_follow_from_types() -> None:
    kinds = {field.name: field.kind for group in sheet_fields.GROUPS["pickup"] for field in group.fields}
    assert [kinds[name] for name in ("active", "turns", "dcr_ohm", "magnet", "notes")] == [
        "truth",
        "integer",
        "number",
        "text",
        "lines",
    ]


@pytest.mark.parametrize("value", ["K. O.", "12", "true", '"quoted"', 7.5, 8, True, ["ring", 2], {"a": None}, "", " x"])
def test_a_field_of_ones_own_is_typed_so_that_it_reads_back_as_it_was(value: Any) -> None:
    (found,) = own_fields(PICKUP, {"extra": {"name. of it": value}})
    assert json.loads(found.path) == ["extra", "name. of it"]
    try:
        back = json.loads(found.typed)
    except ValueError:
        back = found.typed
    assert back == value


def test_conditions_of_ones_own_have_their_own_place() -> None:
    (found,) = own_fields(SESSION, {"conditions": {"extra": {"room": "shed"}}})
    assert json.loads(found.path) == ["conditions", "extra", "room"]


def test_numbers_are_typed_without_a_needless_point_and_read_with_a_real_minus() -> None:
    assert [typed_number(value) for value in (6020.0, 2.31, 7, "x", None)] == ["6020", "2.31", 7, "x", None]
    assert [plain(value) for value in (-3.5, 6020.0, True, None)] == ["\u22123.5", "6020", "yes", "\u2013"]
