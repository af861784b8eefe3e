"""Sheets as CSV: what is written is read again as it was, whatever is in it; and what spreadsheets make of a table."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from coilbench_service.about import Conditions
from coilbench_service.sheet import (
    MOST_EXTRA,
    PickupSheet,
    SessionSheet,
    SheetFaulty,
    checked,
    faults_of_names,
    fields_of,
    key_checked,
)
from coilbench_service.sheet_csv import MOST_COLUMNS, MOST_ROWS, CsvFaulty, Table, pieces
from coilbench_service.sheet_kind import PICKUP, SESSION
from coilbench_worker.store.sheets import SheetRecord

MOMENT = datetime(2026, 3, 1, tzinfo=UTC)
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
"""By which a spreadsheet knows a formula (CWE-1236, and the OWASP page on CSV injection)."""

Sheets = dict[str, dict[str, Any]]


def exported(sheets: Mapping[str, Mapping[str, Any]], model: type[BaseModel] = PickupSheet) -> bytes:
    records = [SheetRecord(str(at), key, dict(sheet), MOMENT, MOMENT) for at, (key, sheet) in enumerate(sheets.items())]
    return b"".join(pieces(model, records))


def imported(text: str | bytes, known: Mapping[str, Any] | None = None, model: type[BaseModel] = PickupSheet) -> Sheets:
    return Table.read(text.encode() if isinstance(text, str) else text, model).sheets(known or {})


def faults(text: str | bytes, model: type[BaseModel] = PickupSheet) -> list[tuple[str, str]]:
    with pytest.raises(CsvFaulty) as caught:
        imported(text, model=model)
    return [(fault.field, fault.message) for fault in caught.value.faults]


def cells_of(table: bytes) -> list[dict[str, str]]:
    """The rows as Python's own reader of RFC 4180 sees them."""
    return list(csv.DictReader(io.StringIO(table.decode(), newline=""), strict=True))


# --- drawn sheets -----------------------------------------------------------------------------------------------------

AWKWARD = [*FORMULA_SIGNS, "'", '"', ",", ";", "\n", "\r\n", " ", "\u200b", "\ufeff", "\uff1d", "\u2028", "\x85", "."]
LOOKS_LIKE_JSON = ["1", "-1", "1.50", "1e5", "true", "null", "[]", '{"a": 1}', '"x"', "7,2", '"\\ud800"', "NaN", "[1"]
ANY = st.characters(exclude_categories=["Cs"], exclude_characters="\x00")
FREE = st.one_of(
    st.sampled_from(LOOKS_LIKE_JSON),
    st.lists(st.one_of(st.sampled_from(AWKWARD), st.sampled_from(LOOKS_LIKE_JSON), ANY), max_size=6).map("".join),
)
PLAIN = FREE.map(lambda text: "".join(one for one in text if one >= " " and one != "\x7f"))
VALUES = st.recursive(
    st.one_of(FREE, st.booleans(), st.integers(-(10**20), 10**20), st.floats(allow_nan=False, allow_infinity=False)),
    lambda inner: st.one_of(
        st.lists(st.one_of(inner, st.none()), max_size=3), st.dictionaries(FREE, inner, max_size=2)
    ),
    max_leaves=4,
)
KINDS = {"pickup": PickupSheet, "session": SessionSheet}


def taken(model: type[BaseModel], sheet: dict[str, Any]) -> dict[str, Any] | None:
    try:
        return checked(model, sheet)
    except SheetFaulty:
        return None


def names(model: type[BaseModel]) -> st.SearchStrategy[str]:
    """Names of fields of one's own that the model takes."""
    return st.one_of(FREE, PLAIN).filter(lambda name: not list(faults_of_names({name: 0}, model)))


def values(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    """Some fields of a model, each with a value that it takes."""
    numbers = st.one_of(st.integers(1, 50), st.floats(20, 60, exclude_min=True), st.floats(1e-7, 1e-5))
    drawn = {name: st.one_of(PLAIN, FREE, numbers, st.booleans()) for name in fields_of(model) if name != "conditions"}
    some = st.fixed_dictionaries({}, optional=drawn)
    return some.map(lambda found: {name: one for name, one in found.items() if taken(model, {name: one}) is not None})


def own(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    return st.dictionaries(names(model), VALUES, max_size=4)


PICKUP_SHEETS = st.builds(lambda said, extra: checked(PickupSheet, {**said, "extra": extra}), values(PickupSheet),
                          own(PickupSheet))  # fmt: skip
SESSION_SHEETS = st.builds(
    lambda said, extra, inherited, more: checked(
        SessionSheet, {**said, "extra": extra, "conditions": {**inherited, "extra": more}}
    ),
    values(SessionSheet),
    own(SessionSheet),
    values(Conditions),
    own(Conditions),
)


def is_key(text: str) -> bool:
    try:
        return key_checked(text) == text
    except SheetFaulty:
        return False


def assert_comes_back(sheets: Sheets, model: type[BaseModel]) -> None:
    table = exported(sheets, model)
    for known in ({}, sheets):
        found = imported(table, known, model)
        assert list(found) == list(sheets)
        assert json.dumps(found, sort_keys=True) == json.dumps(sheets, sort_keys=True)  # 1, 1.0 and true told apart
    assert exported(imported(table, model=model), model) == table
    # Nothing that a spreadsheet opens is a formula; numbers may begin with a sign.
    for row in [dict(enumerate(cells_of(table)[0])), *cells_of(table)] if sheets else []:
        for cell in row.values():
            assert not cell.startswith(FORMULA_SIGNS) or isinstance(json.loads(cell), float | int), cell


@pytest.mark.parametrize(("model", "drawn"), [(PickupSheet, PICKUP_SHEETS), (SessionSheet, SESSION_SHEETS)],
                         ids=["pickups", "sessions"])  # fmt: skip
def test_an_import_of_an_export_says_what_the_sheets_said(
    model: type[BaseModel], drawn: st.SearchStrategy[dict[str, Any]]
) -> None:
    @settings(deadline=None, derandomize=True, database=None, max_examples=80)
    @given(st.dictionaries(PLAIN.filter(is_key), drawn, min_size=1, max_size=3))
    def comes_back(sheets: Sheets) -> None:
        assert_comes_back(sheets, model)

    comes_back()


def test_every_field_of_a_sheet_has_a_column_by_its_name() -> None:
    pickups, sessions = exported({}, PickupSheet), exported({}, SessionSheet)
    assert pickups.decode() == ",".join(["key", *fields_of(PickupSheet)]) + "\r\n"
    assert sessions.decode() == ",".join(["key", "name", "date", *fields_of(Conditions), "notes"]) + "\r\n"


@pytest.mark.parametrize("sign", FORMULA_SIGNS)
def test_text_that_a_spreadsheet_would_run_is_defused_and_comes_back(sign: str) -> None:
    text = f"{sign}cmd(1)"
    (row,) = cells_of(exported({"k": {"name": text}}))
    assert row["name"] == f"'{text}"
    sheets: Sheets = {"k": {"notes": f"x\n{text}", "extra": {"own": text}}}
    if sign not in "\t\r":  # those are no part of a key, nor of a name
        sheets |= {text: {"name": text, "extra": {text: text}}}
        table = cells_of(exported(sheets))
        assert list(table[0])[-1] == table[1]["key"] == table[1]["name"] == f"'{text}"
    assert_comes_back(sheets, PickupSheet)


def test_what_reads_as_defused_already_comes_back_too() -> None:
    for text in ("'=1+1", "''=1+1", "'", "'plain", "'\u200b=1", "\u200b=1", "\uff1d1", "- ", "' =1"):
        assert_comes_back({"k": {"name": text.strip(), "extra": {"own": text}}}, PickupSheet)


def test_fields_of_ones_own_keep_their_kind() -> None:
    kinds = {"text": "7.2", "number": 7.2, "whole": 7, "truth": True, "said": "true", "list": ["a", 1, None], "no": ""}
    sheets = {"k": {"extra": {**kinds, "object": {"deep": {"null": None}}, "a,b;c": 'a "quoted" word', "-1": "-1"}}}
    assert_comes_back(sheets, PickupSheet)
    (row,) = cells_of(exported(sheets))
    assert (row["text"], row["number"], row["said"], row["truth"]) == ('"7.2"', "7.2", '"true"', "true")


# --- tables as people save them ---------------------------------------------------------------------------------------

FOUND = {"mill": {"name": "Mühle", "active": False, "turns": 5400, "dcr_ohm": 13900.5}}


@pytest.mark.parametrize(
    "text",
    [
        "key,name,active,turns,dcr_ohm\nmill,Mühle,no,5400,13900.5\n",
        "\ufeffkey,name,active,turns,dcr_ohm\r\nmill,Mühle,FALSE,5400.0,1.39005e4\r\n",
        "\ufeffkey;name;active;turns;dcr_ohm\r\nmill;Mühle;No;5400;13900,5\r\n",
        "key;name;active;turns;dcr_ohm\nmill;Mühle;0;5400;13900.50",  # no other number of it has a decimal comma
        "key\tname\tactive\tturns\tdcr_ohm\nmill\tMühle\tfalse\t5400\t13900,5\n",
        '"key","name","active","turns","dcr_ohm"\n"mill","Mühle","false","5400","13900.5"\n',
        " key , name ,active, turns ,dcr_ohm\n mill , Mühle ,false,+5400, 13900.5 \n",
        "\n,,\nkey,name,active,turns,dcr_ohm,,\n\n,,,,,,\nmill,Mühle,no,5400,13900.5,,\n,,\n",
        "dcr_ohm,turns,active,name,key\r13900.5,5400,no,Mühle,mill\r",
    ],
    ids=["LF", "BOM, CRLF", "semicolon", "semicolon, point", "TAB", "quoted", "spaces", "blank lines", "CR"],
)
def test_the_same_table_is_read_however_it_was_saved(text: str) -> None:
    assert json.dumps(imported(text), sort_keys=True) == json.dumps(FOUND, sort_keys=True)


def test_a_comma_is_a_decimal_comma_only_where_it_does_not_separate() -> None:
    assert imported("key;dcr_ohm;gauss\nk;7,25;6,5\n") == {"k": {"dcr_ohm": 7.25, "extra": {"gauss": 6.5}}}
    assert imported('key,gauss\nk,"6,5"\n') == {"k": {"extra": {"gauss": "6,5"}}}
    ((field, message),) = faults('key,dcr_ohm\nk,"7,25"\n')
    assert field == "line 2, column `dcr_ohm`"
    assert "semicolon" in message
    ((field, message),) = faults("key;dcr_ohm;turns\nk;7,25;5\nl;1.250;5\n")  # 1250, or 1.25?
    assert field == "line 3, column `dcr_ohm`"
    assert "decimal comma" in message
    for cell in ("1.250,5", "1 250", "7.2k", "0x10", "٧", "1_000", "inf", "nan", "--1", "1e999"):
        (found,) = faults(f"key;dcr_ohm\nk;{cell}\n")
        assert found[0] == "line 2, column `dcr_ohm`", cell


def test_quotation_marks_hold_separators_marks_and_line_ends() -> None:
    text = 'key,notes,name\r\nk,"a ""b"", c;\r\nsecond line\nthird",N\r\nl,"",M\r\n'
    found = imported(text)
    assert found["k"] == {"notes": 'a "b", c;\r\nsecond line\nthird', "name": "N"}
    assert found["l"] == {"name": "M"}
    # A fault is told by the line where its row begins, as an editor counts.
    (found_fault,) = faults('key,notes,turns\nk,"1\n2\n3",1\nl,"x",many\n')
    assert found_fault[0] == "line 5, column `turns`"


def test_an_empty_cell_takes_out_and_a_column_that_is_not_there_leaves() -> None:
    known = {"k": {"name": "N", "turns": 5400, "active": True, "extra": {"gauss": 640, "wound by": "Ines"}}}
    assert imported("key,turns,gauss\nk,,\n", known)["k"] == {
        "name": "N",
        "active": True,
        "extra": {"wound by": "Ines"},
    }
    assert imported("key,wound by,gauss\nk, ,\n", known)["k"] == {"name": "N", "turns": 5400, "active": True}
    assert imported("key\nk\n", known) == known
    assert imported("key,name\nnew,\n", known) == {"new": {}}
    conditions = {"pick": "1.0 mm", "channel": 1, "extra": {"room": "cellar"}}
    session = {"s": {"date": "2026-03-01", "conditions": conditions, "extra": {"room": "of the sheet"}}}
    table = "key,pick,conditions.room,tuning\ns,,,E A D G B E\n"
    after = imported(table, session, SessionSheet)["s"]
    assert after == {**session["s"], "conditions": {"channel": 1, "tuning": "E A D G B E"}}
    assert session["s"]["conditions"] == conditions  # what is known is not touched
    assert imported("key,room\ns,\n", session, SessionSheet)["s"] == {"date": "2026-03-01", "conditions": conditions}


# --- what can't be read -----------------------------------------------------------------------------------------------


def test_every_fault_is_told_with_its_line_and_column() -> None:
    table = "key,turns,active,wire_awg\na,many,maybe,42\nb,1.5,yes,thin\na/b,1,1,42\n,1,1,42\nok,1,1,99\n"
    assert [field for field, _ in faults(table)] == [
        "line 2, column `turns`",
        "line 2, column `active`",
        "line 3, column `turns`",
        "line 3, column `wire_awg`",
        "line 4, column `key`",
        "line 5, column `key`",
    ]
    # Bounds are those of the sheet; they are looked at once the table can be read.
    assert [field for field, _ in faults("key,wire_awg,turns\nok,99,0\n")] == [
        "line 2, column `wire_awg`",
        "line 2, column `turns`",
    ]
    assert [field for field, _ in faults("key,date,channel\ns,2026-02-30,0\n", SessionSheet)] == [
        "line 2, column `date`",
        "line 2, column `channel`",
    ]


@pytest.mark.parametrize(
    ("table", "place", "words"),
    [
        (b"", "line 1", "empty"),
        (b" \r\n,,\n", "line 1", "empty"),
        (b"name\nx\n", "line 1", "no column is named `key`"),
        (b"key,name\nk,M\xfchle\n", "line 2", "not UTF-8 (byte 0xfc)"),
        ("key,name\nk,x\n".encode("utf-16"), "line 1", "UTF-16"),
        (b"key,name\nk,a\x00b\n", "line 2", "NUL"),
        (b'key,name\nk,"cut off\n', "line 2", "quotation marks"),
        (b'key,name\nk,"a"b\n', "line 2", "quotation marks"),
        (b"key,name\nk," + b"x" * 131_073 + b"\n", "line 2", "field larger"),
        (b"key,name\nk\n", "line 2", "1 cells under 2 columns"),
        (b"key,name\nk,a,b\n", "line 2", "3 cells under 2 columns"),
        (b"key,,name\nk,x,a\n", "line 2, column 2", "no name"),
        (b"key,name,name\nk,a,b\n", "line 1, column `name`", "twice"),
        (b"key,gauss,gauss\nk,1,2\n", "line 1, column `gauss`", "twice"),
        (b"key,created\nk,1\n", "line 1, column `created`", "given by the service"),
        (b"key,Turns\nk,1\n", "line 1, column `Turns`", "reads like the field `turns`"),
        (b"key,name\nk,a\nk,b\n", "line 3, column `key`", "line 2 already"),
        (b"key" + b",x" * MOST_COLUMNS + b"\n", "line 1", f"at most {MOST_COLUMNS}"),
        (b"key\n" + b"\n".join(b"k%d" % n for n in range(MOST_ROWS + 1)), "body", f"at most {MOST_ROWS}"),
    ],
)
def test_a_table_that_can_not_be_read_says_where_and_why(table: bytes, place: str, words: str) -> None:
    ((field, message),) = faults(table)
    assert field == place
    assert words in message


def test_more_fields_of_ones_own_than_a_sheet_keeps_are_refused_in_the_row() -> None:
    own_names = [f"own {number}" for number in range(MOST_EXTRA + 1)]
    header = ",".join(["key", *own_names])
    found = faults(f"{header}\nk{',1' * len(own_names)}\n")
    assert [field for field, _ in found] == ["line 2, column `extra`"]
    assert set(imported(f"{header}\nk{',1' * MOST_EXTRA},\n")["k"]["extra"]) == set(own_names[:-1])


@pytest.mark.parametrize("cell", ["9" * 5_000, "1e999", "-1e999"])
@pytest.mark.parametrize("column", ["turns", "dcr_ohm"])
def test_a_number_that_no_double_holds_is_too_large_and_not_something_else(column: str, cell: str) -> None:
    ((field, message),) = faults(f"key,{column}\nk,{cell}\n")
    assert field == f"line 2, column `{column}`"
    assert message.endswith("is too large")
    assert len(message) < 100


@pytest.mark.parametrize("kind", [PICKUP, SESSION], ids=lambda kind: kind.plural)
def test_the_key_of_a_sheet_is_its_column_and_no_field(kind: Any) -> None:
    assert "key" not in kind.model.model_fields
    assert imported("key\nonly the key\n", model=kind.model) == {"only the key": {}}
