"""The table over HTTP: the same rows as JSON, CSV and spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from coilbench_service.table import workbook
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

GOOD = strums_wav()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with one good take, one rejected and one that waits."""
    folder: Path = tmp_path_factory.mktemp("table")
    with running_service(folder) as made:
        made.sent(GOOD, "=1+1.wav", {"label": "-neck", "pickup": "harbour-neck", "input_gain_db": 12})
        made.sent(b"RIFF" + GOOD[4:40] + GOOD[40:44] + bytes(len(GOOD) - 44), "silence.wav", {"pickup": "mill-bridge"})
        made.work()
        made.sent(strums_wav(count=2), "waits.wav", {"pickup": "harbour-neck"})
        yield made


def get(service: Service, question: str, **headers: str) -> Any:
    """GET the table."""
    return service.client.get(f"/v1/table?{question}", headers=headers, buffered=True)


def test_a_table_is_by_take_unless_it_is_asked_otherwise(service: Service) -> None:
    assert get(service, "").json == get(service, "per=take").json
    assert get(service, "").json["per"] == "take"


def test_the_json_table_has_a_row_for_each_strum_and_says_what_the_columns_are(service: Service) -> None:
    table = get(service, "per=strum").json
    assert (table["per"], table["next"]) == ("strum", None)
    keys = [column["key"] for column in table["columns"]]
    units = {column["key"]: column["unit"] for column in table["columns"]}
    assert (units["rms_dbfs"], units["onset_s"], units["file"]) == ("dBFS", "s", None)
    assert [row["strum"] for row in table["items"]] == [1, 2, 3]
    for row in table["items"]:
        assert list(row) == sorted(row, key=keys.index)
        assert set(row) == set(keys)
        assert row["rms_dbfs"] < 0
        assert row["octave_db_125"] < 0


def test_the_json_table_has_a_row_for_each_take_whatever_became_of_it(service: Service) -> None:
    rows = get(service, "per=take").json["items"]
    assert [(row["file"], row["state"]) for row in rows] == [
        ("=1+1.wav", "measured"),
        ("silence.wav", "rejected"),
        ("waits.wav", "waiting"),
    ]
    assert rows[0]["rms_dbfs_low"] <= rows[0]["rms_dbfs"] <= rows[0]["rms_dbfs_high"]
    assert rows[0]["strums"] == 3
    assert (rows[1]["rms_dbfs"], rows[1]["usable"]) == (None, None)
    assert rows[1]["problem"]


def test_the_json_table_is_paged_by_takes(service: Service) -> None:
    first = get(service, "per=take&limit=2")
    assert len(first.json["items"]) == 2
    second = service.client.get(first.headers["Link"].split(">")[0][1:]).json
    assert [row["file"] for row in second["items"]] == ["waits.wav"]


def test_filters_and_chosen_quantities_hold_in_every_form(service: Service) -> None:
    question = "per=take&pickup=harbour-neck&state=measured&quantities=rms_dbfs,octave_db_63"
    table = get(service, question).json
    assert [row["file"] for row in table["items"]] == ["=1+1.wav"]
    numbers = ["rms_dbfs", "octave_db_63"]
    spread = [name + end for name in numbers for end in ("", "_sd", "_low", "_high")]
    assert [column["key"] for column in table["columns"]][-9:] == [*spread, "reasons"]
    text = get(service, question + "&format=csv").text
    assert len(list(csv.DictReader(io.StringIO(text)))) == 1


def test_csv_holds_the_same_numbers_and_runs_nothing_in_a_spreadsheet(service: Service) -> None:
    answer = get(service, "per=strum&format=csv")
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="strums.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    wanted = get(service, "per=strum").json
    assert list(rows[0]) == [column["key"] for column in wanted["columns"]]
    assert [row["file"] for row in rows] == ["'=1+1.wav"] * 3
    assert rows[0]["label"] == "'-neck"
    for row, same in zip(rows, wanted["items"], strict=True):
        for key, value in same.items():
            if isinstance(value, float):
                assert float(row[key]) == value
            elif value is None:
                assert row[key] == ""


def test_every_empty_cell_of_a_quantity_has_its_reason_in_every_form(service: Service) -> None:
    (row, *_) = get(service, "per=strum&quantities=sustain_20_s,decay_db_per_s,rms_dbfs").json["items"]
    empty = {key for key in ("sustain_20_s", "decay_db_per_s", "rms_dbfs") if row[key] is None}
    assert "sustain_20_s" in empty  # the strums of this take are a second apart
    assert set(row["reasons"]) == empty
    text = get(service, "per=strum&quantities=sustain_20_s&format=csv").text
    assert next(csv.DictReader(io.StringIO(text)))["reasons"] == f"sustain_20_s: {row['reasons']['sustain_20_s']}"
    (first, *_) = get(service, "per=take").json["items"]
    assert first["hum_hz"] is None
    assert first["reasons"]["hum_hz"]
    link = service.client.get("/v1/takes?state=measured").json["items"][0]["links"]["measurement"]
    assert service.client.get(link).json["reasons"]["hum_hz"] == first["reasons"]["hum_hz"]


def test_the_spreadsheet_holds_the_same_numbers_as_numbers(service: Service) -> None:
    answer = get(service, "per=take&format=xlsx")
    assert answer.mimetype == workbook.MEDIA_TYPE
    assert int(answer.headers["Content-Length"]) == len(answer.data)
    sheet = openpyxl.load_workbook(io.BytesIO(answer.data))["takes"]
    rows = list(sheet.iter_rows(values_only=True))
    wanted = get(service, "per=take").json
    assert list(rows[0]) == [column["key"] for column in wanted["columns"]]
    for row, same in zip(rows[1:], wanted["items"], strict=True):
        assert list(row)[:-1] == list(same.values())[:-1]
        assert (row[-1] is None) == (same["reasons"] is None)
    assert sheet["B2"].data_type == "s"


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        ("text/csv", "text/csv"),
        ("text/csv;q=0.5, application/json;q=0.4", "text/csv"),
        (workbook.MEDIA_TYPE, workbook.MEDIA_TYPE),
        ("application/json", "application/json"),
        ("*/*", "application/json"),
        ("text/html, */*;q=0.1", "application/json"),
    ],
)
def test_the_form_can_be_asked_for_by_accept(service: Service, accept: str, media_type: str) -> None:
    assert get(service, "", Accept=accept).mimetype == media_type


def test_format_goes_before_accept(service: Service) -> None:
    assert get(service, "format=json", Accept="text/csv").mimetype == "application/json"


def test_a_form_that_is_not_there_is_refused_with_those_that_are(service: Service) -> None:
    body = assert_problem(get(service, "", Accept="application/pdf"), 406, "not-acceptable")
    assert "text/csv" in body["detail"]


def test_an_empty_table_is_a_table(service: Service) -> None:
    assert get(service, "pickup=none").json["items"] == []
    assert get(service, "pickup=none&format=csv").text.count("\r\n") == 1
    assert openpyxl.load_workbook(io.BytesIO(get(service, "pickup=none&format=xlsx").data))["takes"].max_row == 1
