"""Tables: rows, data frames and files."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import openpyxl
import pytest

import coilbench
from coilbench import Column, Table

COLUMNS = (
    Column("take", "Take"),
    Column("label", "Label"),
    Column("usable", "Usable"),
    Column("strums", "Strums"),
    Column("rms_dbfs", "Level", "dBFS"),
    Column("rms_mv", "Level", "mV"),
)
ROWS = (
    {"take": "t1", "label": "=1+1", "usable": True, "strums": 4, "rms_dbfs": -20.123456789, "rms_mv": None},
    {"take": "t2", "label": "-plain", "usable": False, "strums": 3, "rms_dbfs": None, "rms_mv": None},
    {"take": "t3", "label": "https://bench.invalid", "usable": None, "strums": None, "rms_dbfs": -1.5},
)
TABLE = Table("take", COLUMNS, ROWS)


def test_a_csv_has_keys_numbers_in_full_and_no_formulas(tmp_path: Path) -> None:
    path = TABLE.save(tmp_path / "t.csv")
    rows = list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))
    assert list(rows[0]) == [column.key for column in COLUMNS]
    assert rows[0] == {
        "take": "t1", "label": "'=1+1", "usable": "true", "strums": "4", "rms_dbfs": "-20.123456789", "rms_mv": "",
    }  # fmt: skip
    assert rows[1]["label"] == "'-plain"


PLAIN_STARTS = ["=", "+", "-", "@", "\t", "\r"]  # CWE-1236, OWASP ASVS 1.2.10
HIDDEN_STARTS = ["\n=", " =", "\u3000=", "\ufeff=", "\u200b+", "\u200d\u2060-", "\u202e@", "\x00=", "\u2028="]
WIDE_AND_SMALL_STARTS = ["\uff1d", "\uff0b", "\uff0d", "\uff20", "\ufe66", "\ufe62", "\ufe63", "\ufe6b"]


@pytest.mark.parametrize("start", PLAIN_STARTS + HIDDEN_STARTS + WIDE_AND_SMALL_STARTS)
def test_no_text_cell_of_a_csv_begins_a_formula(tmp_path: Path, start: str) -> None:
    table = Table("take", (Column("label", "Label"),), ({"label": f"{start}cmd"},))
    text = table.save(tmp_path / "t.csv").read_bytes()
    assert f"'{start}cmd".encode() in text


@pytest.mark.parametrize("plain", ["a-b", " \u200b", "\ufeffplain", "\u97f3=1"])
def test_plain_text_of_a_csv_stays_as_it_is(tmp_path: Path, plain: str) -> None:
    table = Table("take", (Column("label", "Label"),), ({"label": plain},))
    rows = list(csv.reader(io.StringIO(table.save(tmp_path / "t.csv").read_text("utf-8"), newline="")))
    assert rows == [["label"], [plain]]


def test_a_spreadsheet_has_numbers_as_numbers_and_text_as_text(tmp_path: Path) -> None:
    path = TABLE.save(tmp_path / "t.XLSX")
    book = openpyxl.load_workbook(path)
    sheet = book["takes"]
    assert [cell.value for cell in sheet[1]] == [column.key for column in COLUMNS]
    assert [cell.value for cell in sheet[2]] == ["t1", "=1+1", True, 4, -20.123456789, None]
    assert [cell.data_type for cell in sheet[2]] == ["s", "s", "b", "n", "n", "n"]
    assert all(cell.data_type != "f" and cell.hyperlink is None for row in sheet.iter_rows() for cell in row)
    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in book["columns"][6]] == ["rms_dbfs", "Level", "dBFS"]


WHY = {"attack_ms": "it is silent", "rms_dbfs": "too short", "crest_db": "it is silent"}
WITH_REASONS = Table("take", (*COLUMNS, Column("reasons", "Why")), ({**ROWS[0], "reasons": WHY}, {"reasons": None}))


def test_reasons_are_text_in_files_with_equal_ones_together_and_a_dictionary_for_programs(tmp_path: Path) -> None:
    text = "attack_ms, crest_db: it is silent; rms_dbfs: too short"
    with WITH_REASONS.save(tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        assert [row["reasons"] for row in csv.DictReader(file)] == [text, ""]
    sheet = openpyxl.load_workbook(WITH_REASONS.save(tmp_path / "t.xlsx"))["takes"]
    assert [cell.value for cell in sheet["G"]][:2] == ["reasons", text]
    assert json.loads(WITH_REASONS.save(tmp_path / "t.json").read_text("utf-8"))["items"][0]["reasons"] == WHY
    column = WITH_REASONS.to_pandas()["reasons"]
    assert (column[0], column.isna().tolist()) == (text, [False, True])


def test_json_holds_columns_and_rows(tmp_path: Path) -> None:
    document = json.loads(TABLE.save(tmp_path / "t.json").read_text(encoding="utf-8"))
    assert document["per"] == "take"
    assert document["columns"][4] == {"key": "rms_dbfs", "title": "Level", "unit": "dBFS"}
    assert document["items"][0]["rms_dbfs"] == -20.123456789


def test_an_empty_table_can_be_saved(tmp_path: Path) -> None:
    for name in ("t.csv", "t.xlsx", "t.json"):
        assert Table("take", (), ()).save(tmp_path / name).stat().st_size > 0


@pytest.mark.parametrize(("name", "found"), [("t.ods", "the extension .ods"), ("t", "no extension")])
def test_an_unknown_extension_is_refused_with_those_known(tmp_path: Path, name: str, found: str) -> None:
    with pytest.raises(coilbench.UnknownFormat, match=f"has {found}; a table is saved as .csv, .xlsx, .json"):
        TABLE.save(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(coilbench.NotSaved, match="can't be written: No such file or directory"):
        TABLE.save(tmp_path / "gone" / "t.csv")


def test_a_failed_save_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "t.json"
    path.write_text("old")
    with pytest.raises(TypeError):
        Table("take", COLUMNS, ({"take": object()},)).save(path)
    assert path.read_text() == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["t.json"]


def test_a_data_frame_has_numbers_also_where_nothing_is_defined() -> None:
    frame = TABLE.to_pandas()
    assert list(frame.columns) == [column.key for column in COLUMNS]
    assert frame["rms_dbfs"].dtype == "float64"
    assert frame["rms_mv"].isna().all()
    assert frame["rms_mv"].dtype == "float64"
    assert frame["strums"].tolist()[:2] == [4, 3]


def test_without_pandas_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(coilbench.MissingLibrary, match="pip install pandas"):
        TABLE.to_pandas()


def test_a_column_can_be_taken_out() -> None:
    assert TABLE.column("rms_mv") == [None, None, None]
    with pytest.raises(KeyError, match="rms"):
        TABLE.column("rms")
    assert [row["take"] for row in TABLE.of_takes(["t3", "t1"])] == ["t3", "t1"]
