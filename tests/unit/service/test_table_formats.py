"""Formats of tables by themselves: what goes in comes out, whatever text a label holds, and rows are pulled lazily."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from typing import Any
from xml.etree import ElementTree

import openpyxl
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_service.table.columns import Column, columns, shown
from coilbench_service.table.csv_text import csv_pieces, restored
from coilbench_service.table.json_lines import json_pieces
from coilbench_service.table.long import long_columns, long_rows
from coilbench_service.table.parquet import CELLS_OF_GROUP, write_parquet
from coilbench_service.table.workbook import write_workbook
from coilbench_service.table.workbook_charts import Charts

COLUMNS = [
    Column("label", "Label"),
    Column("rms_dbfs", "RMS", "dBFS", 1, "number", "Root mean square.", "10 log10"),
    Column("usable", "Usable", kind="truth"),
    Column("strum", "No", kind="whole"),
]
TEXTS = st.text("=+-@'\",; aé音_x\u200b\ufeff\uff1d\n", max_size=10)
NUMBERS = st.none() | st.floats(
    allow_nan=False, allow_infinity=False, allow_subnormal=False, min_value=-1e9, max_value=1e9
)
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "label": st.none() | TEXTS,
            "rms_dbfs": NUMBERS,
            "usable": st.none() | st.booleans(),
            "strum": st.none() | st.integers(0, 2**40),
        }
    ),
    max_size=8,
)
Rows = list[dict[str, Any]]


@given(ROWS)
def test_csv_gives_back_what_went_in_and_no_cell_begins_a_formula(rows: Rows) -> None:
    text = b"".join(csv_pieces(COLUMNS, rows)).decode()
    found = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [restored(row["label"]) for row in found] == [row["label"] or "" for row in rows]
    assert [float(row["rms_dbfs"]) if row["rms_dbfs"] else None for row in found] == [row["rms_dbfs"] for row in rows]
    assert not any(row["label"].startswith(("=", "+", "-", "@")) for row in found)


@given(ROWS)
def test_json_lines_give_back_what_went_in(rows: Rows) -> None:
    text = b"".join(json_pieces(COLUMNS, rows)).decode()
    assert [json.loads(line) for line in text.split("\n")[:-1]] == rows


@given(ROWS)
def test_parquet_gives_back_what_went_in(rows: Rows) -> None:
    file = io.BytesIO()
    assert write_parquet(file, COLUMNS, rows, {"per": "strum"}) == len(rows)
    assert pyarrow.parquet.read_table(io.BytesIO(file.getvalue())).to_pylist() == rows


@settings(max_examples=40)
@given(ROWS)
def test_a_spreadsheet_gives_back_what_went_in_as_values_of_its_types(rows: Rows) -> None:
    file = io.BytesIO()
    assert write_workbook(file, COLUMNS, rows, "strums") == len(rows)
    sheet = openpyxl.load_workbook(io.BytesIO(file.getvalue()))["strums"]
    for cells, row in zip(sheet.iter_rows(min_row=2, max_row=1 + len(rows), max_col=4), rows, strict=True):
        assert (cells[0].value or "") == (row["label"] or "")
        assert cells[1].value == (None if row["rms_dbfs"] is None else pytest.approx(row["rms_dbfs"], rel=1e-14))
        assert [cell.value for cell in cells[2:]] == [row["usable"], row["strum"]]
        assert all(cell.data_type != "f" for cell in cells)


def test_parquet_is_written_by_groups_while_rows_are_made() -> None:
    made, group = 0, CELLS_OF_GROUP // len(COLUMNS)
    at_write: list[int] = []

    def rows() -> Iterator[dict[str, Any]]:
        nonlocal made
        for made in range(1, 2 * group + 2):
            yield {"label": str(made), "strum": made}

    class Sink(io.BytesIO):
        def write(self, data: Any) -> int:
            at_write.append(made)
            return super().write(data)

    file = Sink()
    assert write_parquet(file, COLUMNS, rows(), {}) == 2 * group + 1
    assert group in at_write  # the first group was written when no row beyond it was made
    assert pyarrow.parquet.ParquetFile(io.BytesIO(file.getvalue())).num_row_groups == 3


@pytest.mark.parametrize("write", [csv_pieces, json_pieces])
def test_text_comes_while_rows_are_made(write: Callable[..., Iterator[bytes]]) -> None:
    made = 0

    def rows() -> Iterator[dict[str, Any]]:
        nonlocal made
        for made in range(1, 50_001):
            yield {"label": "a label", "strum": made}

    pieces = write(COLUMNS, rows())
    next(pieces)
    assert 0 < made < 5_000
    assert sum(1 for _ in pieces) > 10
    assert made == 50_000


def test_the_long_shape_is_made_of_one_wide_row_at_a_time() -> None:
    wide = iter(
        [{"take": "t1", "rms_dbfs": -20.0, "rms_dbfs_sd": 0.5, "rms_dbfs_n": 4, "reasons": {"crest_db": "why"}}]
    )
    rows = list(long_rows("take", wide, ["rms_dbfs", "crest_db", "noise_dbfs"]))
    keys = [column.key for column in long_columns("take")]
    assert all(set(row) <= set(keys) for row in rows)
    level, crest, noise = rows
    assert (level["quantity"], level["value"], level["unit"], level["sd"], level["n"]) == (
        "rms_dbfs",
        -20.0,
        "dBFS",
        0.5,
        4,
    )
    assert (crest["value"], crest["reason"], noise["quantity"], noise.get("sd")) == (None, "why", "noise_dbfs", None)


@pytest.mark.parametrize("per", ["take", "strum", "pickup"])
def test_no_column_is_there_twice_and_spread_none_leaves_out_spread_alone(per: Any) -> None:
    every, bare = ([column.key for column in columns(per, None, spread)] for spread in ("all", "none"))
    assert len(every) == len(set(every))
    assert bare == [key for key in every if not key.endswith(("_sd", "_low", "_high", "_expanded_uncertainty"))]


@pytest.mark.parametrize("per", ["take", "pickup"])
def test_the_standard_deviation_of_a_level_is_in_decibels_and_its_bounds_are_levels(per: Any) -> None:
    found = {column.key: column for column in columns(per, ["rms_dbfs", "loudness_lufs", "bass_db", "attack_ms"])}
    units = {key: [found[key + end].unit for end in ("", "_sd", "_low")] for key in ("rms_dbfs", "loudness_lufs")}
    assert units == {"rms_dbfs": ["dBFS", "dB", "dBFS"], "loudness_lufs": ["LUFS", "dB", "LUFS"]}
    assert (found["bass_db_sd"].unit, found["attack_ms_sd"].unit) == ("dB", "ms")


def test_a_column_says_what_its_mean_is_of_and_where_its_uncertainty_is_defined() -> None:
    found = {column.key: column for column in columns("pickup", ["rms_mv", "evenness_db"])}
    assert found["rms_mv"].definition.endswith("Unweighted mean of its takes' means.")
    assert "GUM" in found["rms_mv_expanded_uncertainty"].source
    assert found["evenness_db"].title == "Evenness of the strums"


def test_a_chart_of_more_rows_than_can_be_told_apart_says_so() -> None:
    charts = Charts("take", shown("take", ["rms_dbfs"])[0])
    for number in range(50):
        charts.see(
            {
                "label": f"take {number}",
                "usable": number > 0,
                "rms_dbfs": -20.0 - number,
                "rms_dbfs_low": None,
                "rms_dbfs_high": None,
            }
        )
    file = io.BytesIO()
    write_workbook(file, COLUMNS, [], "takes", charts=charts)
    book = openpyxl.load_workbook(io.BytesIO(file.getvalue()))
    assert [book["charts"].cell(row, 1).value for row in (52, 53)] == ["take 0 (unusable)", "take 1"]
    title = book["charts"]._charts[0].title.tx.rich.p[0].r[0].t
    assert title == "RMS level by take: mean and 95 % interval (the first 40 of 50)"


def test_a_label_of_signs_that_xml_does_not_know_leaves_every_part_well_formed() -> None:
    charts = Charts("take", shown("take", ["rms_dbfs", "octave_db"])[0])
    charts.see({"label": "bell \x07 \ufffe", "rms_dbfs": -20.0})
    file = io.BytesIO()
    write_workbook(file, COLUMNS, [], "takes", charts=charts)
    with zipfile.ZipFile(file) as archive:
        parts = {name: ElementTree.fromstring(archive.read(name)) for name in archive.namelist()}
    said = [one.get("descr", "") for one in parts["xl/drawings/drawing1.xml"].iter() if "descr" in one.attrib]
    assert len(said) == 2
    assert all("bell" in one for one in said)


def test_nothing_is_charted_where_there_is_nothing() -> None:
    file = io.BytesIO()
    write_workbook(file, COLUMNS, [], "takes", charts=Charts("take", ()))
    assert openpyxl.load_workbook(io.BytesIO(file.getvalue())).sheetnames == ["takes", "columns"]
