"""Files of tables, opened by programs and libraries that people use: LibreOffice, openpyxl, pyarrow, pandas, csv."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pandas
import pyarrow.parquet
import pytest

from coilbench_service.table import csv_text, json_lines, parquet, workbook
from http_service import Service, assert_problem
from http_service import service as running_service
from stored_takes import document, entered

OFFICE = "soffice"
HUM = {"code": "hum", "severity": "note", "message": "Mains hum at 50 Hz.", "strums": [], "times_s": [], "values": {}}
LABELS = ["=1+1", "-2", "+A1", "@SUM(A1)", "\u200b=1", 'quo"te, and\nline', "http://example.invalid/x"]
QUANTITIES = "rms_dbfs,octave_db,evenness_db,attack_ms"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Two pickups with several takes each, whose labels would be formulas, and a pickup that is named like one."""
    with running_service(tmp_path_factory.mktemp("files")) as made:
        for number, label in enumerate(LABELS):
            about = {"pickup": "harbour-neck" if number % 2 else "mill-bridge", "label": label, "input_gain_db": 6.5}
            measured = document([-20.25 - number, -20.5 - number, -21.0 - number])
            if number == 0:
                measured["checks"] = [HUM]
            about |= {"pick": "1.0 mm", "session": "week-1", "extra": {"humidity": 41}}
            entered(made.bench.database, about, measured, name=f"{number}.wav")
        assert made.client.post("/v1/sessions", json={"key": "week-1", "date": "2026-03-01"}).status_code == 201
        sheet = {"key": "mill-bridge", "name": "=2+2", "active": True, "turns": 15800, "dcr_ohm": 14010.5}
        assert made.client.post("/v1/pickups", json=sheet).status_code == 201
        yield made


def fetched(service: Service, question: str) -> Any:
    """GET a table as a whole."""
    answer = service.client.get(f"/v1/table?quantities={QUANTITIES}&{question}", buffered=True)
    assert answer.status_code == 200, answer.text
    return answer


def rows_of(service: Service, question: str) -> list[dict[str, Any]]:
    """The same rows as JSON values."""
    found: list[dict[str, Any]] = fetched(service, question).json["items"]
    return found


def book_of(service: Service, question: str) -> openpyxl.Workbook:
    """The spreadsheet as openpyxl reads it."""
    return openpyxl.load_workbook(io.BytesIO(fetched(service, f"{question}&format=xlsx").data))


@pytest.fixture(scope="module")
def opened(service: Service, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the table by take as LibreOffice opened it, saved it anew and printed it."""
    assert shutil.which(OFFICE), "LibreOffice is not installed: apt-get install libreoffice-calc"
    folder = tmp_path_factory.mktemp("office")
    (folder / "takes.xlsx").write_bytes(fetched(service, "per=take&format=xlsx").data)
    own = f"-env:UserInstallation=file://{folder}/profile"  # whoever has it open already is left alone
    for form in ("xlsx", "pdf"):
        command = [OFFICE, "--headless", own, "--convert-to", form, "--outdir", folder / "saved", folder / "takes.xlsx"]
        subprocess.run(command, check=True, capture_output=True, timeout=180)
    return folder / "saved"


def test_libreoffice_reads_the_same_numbers_and_runs_nothing(service: Service, opened: Path) -> None:
    book = openpyxl.load_workbook(opened / "takes.xlsx")
    head, *rows = book["takes"].iter_rows(values_only=True)
    for row, same in zip(rows, rows_of(service, "per=take"), strict=True):
        shown = dict(zip(head, row, strict=True))
        assert shown["label"] == same["label"]
        for key, value in same.items():
            if isinstance(value, float):
                assert shown[key] == pytest.approx(value, rel=1e-12)
    formulas = {cell.value for each in book for row in each.iter_rows() for cell in row if cell.data_type == "f"}
    assert formulas <= {"=TRUE()", "=FALSE()"}  # how it writes truth values


def test_libreoffice_keeps_the_sheets_the_filters_and_the_charts(opened: Path) -> None:
    book = openpyxl.load_workbook(opened / "takes.xlsx")
    assert book.sheetnames == ["takes", "charts", "conditions", "checks", "columns"]
    assert book["takes"].auto_filter.ref == book["takes"].dimensions
    assert len(book["charts"]._charts) == 2


def test_the_charts_are_drawn_on_paper_with_units_on_their_axes(opened: Path) -> None:
    text = subprocess.run(["pdftotext", opened / "takes.pdf", "-"], check=True, capture_output=True, text=True).stdout
    assert "RMS level by take: mean and 95 % interval" in text
    assert "RMS level, dBFS" in text
    assert "Octave band, Hz" in text


@pytest.mark.parametrize("per", ["take", "strum", "pickup"])
def test_cells_have_types_and_number_formats_and_nothing_is_a_formula_or_link(service: Service, per: str) -> None:
    book = book_of(service, f"per={per}")
    sheet = book[f"{per}s"]
    assert (sheet.freeze_panes, sheet.auto_filter.ref) == ("B2", sheet.dimensions)
    head, *rows = sheet.iter_rows()
    keys = [cell.value for cell in head]
    for row, same in zip(rows, rows_of(service, f"per={per}"), strict=True):
        for key, cell in zip(keys, row, strict=True):
            value = same[key]
            if isinstance(value, bool):
                assert (cell.data_type, cell.value) == ("b", value)
            elif isinstance(value, int | float):
                assert (cell.data_type, cell.value) == ("n", pytest.approx(value, rel=1e-15))
            elif value is not None and key != "reasons":
                assert (cell.data_type, cell.value) == ("s", value)
    formats = {key: cell.number_format for key, cell in zip(keys, rows[0], strict=True)}
    assert formats["rms_dbfs"] == "0.0"
    if per != "strum":
        assert formats["rms_dbfs_low"] == "0.00"
    for each in book.worksheets:
        assert all(cell.data_type != "f" and cell.hyperlink is None for row in each.iter_rows() for cell in row)


def test_a_spreadsheet_explains_every_column_with_definition_and_source(service: Service) -> None:
    book = book_of(service, "per=pickup")
    told = {row[0]: row[1:] for row in book["columns"].iter_rows(min_row=2, values_only=True)}
    assert list(told) == [cell.value for cell in book["pickups"][1]]
    catalogue = {one["key"]: one for one in service.client.get("/v1/quantities").json["items"]}
    title, unit, definition, source = told["rms_dbfs"]
    of = catalogue["rms_dbfs"]
    mean = "Unweighted mean of its takes' means."
    assert (title, unit, source) == ("RMS level, mean", "dBFS", of["source"])
    assert definition == f"{of['definition']} {mean}"
    octave = catalogue["octave_db"]
    assert told["octave_db_63"][2:] == (f"{octave['definition']} {mean}", octave["source"])
    assert "takes" in told["interval_from"][2]


def test_a_spreadsheet_has_the_conditions_of_the_takes_and_what_checks_mean(service: Service) -> None:
    book = book_of(service, "per=pickup")
    head, *rows = book["conditions"].iter_rows(values_only=True)
    takes = [dict(zip(head, row, strict=True)) for row in rows]
    assert [take["label"] for take in takes] == LABELS
    assert {(take["pick"], take["date"], take["input_gain_db"], take["extra"]) for take in takes} == {
        ("1.0 mm", "2026-03-01", 6.5, "humidity: 41")
    }
    assert takes[0]["checks"] == "note hum: Mains hum at 50 Hz."
    assert "left_out_why" in head
    kinds = {one["code"]: one for one in service.client.get("/v1/checks").json["items"]}
    (check,) = book["checks"].iter_rows(min_row=2, values_only=True)
    assert check == ("hum", 1, "note, caution", kinds["hum"]["title"], kinds["hum"]["meaning"], kinds["hum"]["advice"])


def test_a_spreadsheet_has_charts_that_are_described_and_rest_on_its_numbers(service: Service) -> None:
    answer = fetched(service, "per=pickup&format=xlsx")
    sheet = openpyxl.load_workbook(io.BytesIO(answer.data))["charts"]
    assert len(sheet._charts) == 2
    with zipfile.ZipFile(io.BytesIO(answer.data)) as archive:
        level, bands = (archive.read(f"xl/charts/chart{number}.xml").decode() for number in (1, 2))
        drawing = archive.read("xl/drawings/drawing1.xml").decode()
    assert '<c:errBarType val="both"/>' in level
    assert "charts!$C$52:$C$53" in level
    assert bands.count("<c:ser>") == 2
    assert drawing.count('descr="') == 2
    assert "RMS level by pickup" in drawing
    first = rows_of(service, "per=pickup")[0]
    name, mean, below, above = (sheet.cell(52, column).value for column in range(1, 5))
    assert (name, mean) == (first["pickup"], pytest.approx(first["rms_dbfs"]))
    assert (mean - below, mean + above) == pytest.approx((first["rms_dbfs_low"], first["rms_dbfs_high"]))


def test_strums_and_the_long_shape_have_no_charts_and_everything_else(service: Service) -> None:
    assert book_of(service, "per=strum").sheetnames == ["strums", "conditions", "checks", "columns"]
    assert book_of(service, "per=take&shape=long").sheetnames == ["takes-long", "conditions", "checks", "columns"]


@pytest.mark.parametrize("question", ["per=strum", "per=take", "per=pickup", "per=pickup&shape=long"])
def test_parquet_has_typed_columns_with_title_unit_and_source_in_their_metadata(
    service: Service, question: str
) -> None:
    answer = fetched(service, f"{question}&format=parquet")
    assert answer.mimetype == parquet.MEDIA_TYPE
    table = pyarrow.parquet.read_table(io.BytesIO(answer.data))
    wanted = fetched(service, question).json
    assert table.column_names == [column["key"] for column in wanted["columns"]]
    assert int(answer.headers["Coilbench-Rows"]) == table.num_rows == len(wanted["items"])
    for row, same in zip(table.to_pylist(), wanted["items"], strict=True):
        assert {key: value for key, value in row.items() if key != "reasons"} == {
            key: value for key, value in same.items() if key != "reasons"
        }
    for column in wanted["columns"]:
        field = table.schema.field(column["key"])
        assert field.metadata[b"title"].decode() == column["title"]
        assert (field.metadata.get(b"unit") or b"").decode() == (column["unit"] or "")
        if column["unit"]:
            assert field.type == "double"
    if "long" not in question:
        assert b"root mean square" in table.schema.field("rms_dbfs").metadata[b"definition"].lower()


def test_parquet_opens_in_pandas_with_numbers_as_numbers(service: Service) -> None:
    frame = pandas.read_parquet(io.BytesIO(fetched(service, "per=pickup&format=parquet").data))
    assert frame["rms_dbfs"].dtype == "float64"
    assert frame["takes"].tolist() == [3, 4]
    assert frame.set_index("pickup").loc["mill-bridge", "name"] == "=2+2"
    assert frame["active"].tolist() == [None, True]


def test_without_pyarrow_parquet_is_refused_with_the_extra_that_brings_it(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    answer = service.client.get("/v1/table", headers={"Accept": parquet.MEDIA_TYPE})
    body = assert_problem(answer, 501, "parquet-not-installed")
    assert "the extra `parquet`" in body["detail"]
    assert "pip install" in body["advice"]
    assert fetched(service, "format=csv").status_code == 200


@pytest.mark.parametrize("question", ["per=strum", "per=take", "per=pickup", "per=take&shape=long"])
def test_json_lines_are_the_rows_of_the_json_pages(service: Service, question: str) -> None:
    answer = fetched(service, f"{question}&format=jsonl")
    assert answer.mimetype == json_lines.MEDIA_TYPE
    assert [json.loads(line) for line in answer.text.splitlines()] == rows_of(service, question)


def test_csv_is_read_back_by_csv_and_pandas_with_every_label_as_it_was(service: Service) -> None:
    data = fetched(service, "per=strum&format=csv").data
    rows = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert [csv_text.restored(row["label"]) for row in rows] == [label for label in LABELS for _ in range(3)]
    assert not any(row["label"].startswith(("=", "+", "-", "@")) for row in rows)
    frame = pandas.read_csv(io.BytesIO(data))
    assert frame["rms_dbfs"].tolist() == [row["rms_dbfs"] for row in rows_of(service, "per=strum")]


@pytest.mark.parametrize(
    ("media_type", "form"),
    [(json_lines.MEDIA_TYPE, "jsonl"), (parquet.MEDIA_TYPE, "parquet"), (workbook.MEDIA_TYPE, "xlsx")],
)
def test_each_form_can_be_asked_for_by_accept_and_names_its_file(service: Service, media_type: str, form: str) -> None:
    answer = service.client.get("/v1/table?per=pickup&shape=long", headers={"Accept": media_type}, buffered=True)
    assert answer.mimetype == media_type
    assert answer.headers["Content-Disposition"] == f'attachment; filename="pickups-long.{form}"'
