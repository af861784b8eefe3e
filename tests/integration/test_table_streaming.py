"""Tables that need no room: the service reads takes by pages as it writes, the client writes as it reads."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pandas
import pyarrow.parquet
import pytest
from sqlalchemy import event

import coilbench
from coilbench.table_served import ServedTable
from coilbench_service.table.pickups import pickup_rows
from coilbench_service.table.question import Question
from coilbench_worker.store.measurements import PAGE_OF_DOCUMENTS
from coilbench_worker.store.takes import TakeFilter
from http_service import Service
from served import Command, served_service, typed_at
from stored_takes import document, entered

TAKES, STRUMS = 3 * PAGE_OF_DOCUMENTS, 4
FEW = ["rms_dbfs", "octave_db_63"]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    """A service with three pages of takes, on three pickups."""
    with served_service(tmp_path_factory.mktemp("streaming")) as (service, url):
        for number in range(TAKES):
            about = {"pickup": f"pickup-{number % 3}", "label": f"=take {number}\nof {TAKES}", "input_gain_db": 10.0}
            levels = [-20.0 - number / 100 - strum / 10 for strum in range(STRUMS)]
            entered(service.bench.database, about, document(levels), name=f"{number}.wav")
        yield service, url


def test_a_table_by_pickup_tells_client_and_command_what_is_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_service(tmp_path) as (service, url):
        for about in ({"pickup": "mill"}, {"pickup": "mill"}, {}):
            entered(service.bench.database, about, document([-20.0, -21.0]), sha256="a" * 64)
        with coilbench.Client(url) as client:
            older, nameless = client.table("pickup").left_out
        assert (older["subject"], older["reason"]) == ("mill", "it is an older copy of a recording that takes part")
        assert nameless["reason"] == "1 take names no pickup"
        _, out, _ = typed_at(url, capsys)("table", "--per", "pickup")
    assert "in no mean  mill: it is an older copy of a recording that takes part" in out
    assert "in no mean  1 take names no pickup" in out


@pytest.fixture
def bench(served: tuple[Service, str]) -> Iterator[coilbench.Client]:
    """A client of it."""
    with coilbench.Client(served[1]) as client:
        yield client


@pytest.fixture
def command(served: tuple[Service, str], capsys: pytest.CaptureFixture[str]) -> Command:
    """The command at it."""
    return typed_at(served[1], capsys)


def test_takes_are_read_only_as_far_as_rows_are_taken(served: tuple[Service, str]) -> None:
    service, _ = served
    read: list[str] = []
    with service.bench.database.read() as connection:
        event.listen(connection, "before_cursor_execute", lambda *told: read.append(told[2]))
        rows = Question("strum").rows(connection)
        for _ in range(STRUMS * PAGE_OF_DOCUMENTS):
            next(rows)
        documents = [text for text in read if "measurements.document" in text]
        assert len(documents) == 1  # one page of three
        assert len(list(rows)) == STRUMS * (TAKES - PAGE_OF_DOCUMENTS)
        assert len([text for text in read if "measurements.document" in text]) == 3


def test_pickups_are_read_one_after_the_other(served: tuple[Service, str]) -> None:
    service, _ = served
    read: list[str] = []
    with service.bench.database.read() as connection:
        columns, rows = pickup_rows(connection, TakeFilter(), FEW)
        event.listen(connection, "before_cursor_execute", lambda *told: read.append(told[2]))
        assert next(rows)["takes"] == TAKES / 3
        assert len([text for text in read if "measurements.document" in text]) == 1
        assert [row["pickup"] for row in rows] == ["pickup-1", "pickup-2"]
    assert "rms_dbfs_low" in [column.key for column in columns]


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_the_service_sends_text_in_pieces_before_it_has_read_everything(served: tuple[Service, str], form: str) -> None:
    service, _ = served
    answer = service.client.get(f"/v1/table?per=strum&format={form}")
    assert "Content-Length" not in answer.headers
    pieces = [len(piece) for piece in answer.response]
    assert len(pieces) > 5
    assert max(pieces) < 200_000


def test_a_table_is_iterated_page_by_page(bench: coilbench.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    table = bench.table("strum", FEW)
    assert isinstance(table, ServedTable)
    asked: list[str] = []
    request = table._transport.request

    def noted(*told: Any, **more: Any) -> Any:
        asked.append(told[1])
        return request(*told, **more)

    monkeypatch.setattr(table._transport, "request", noted)
    rows = iter(table)
    next(rows)
    assert asked == []  # the first page was read to see that the question is a good one
    assert 1 + sum(1 for _ in rows) == TAKES * STRUMS == len(table)
    assert len(asked) > 2


@pytest.mark.parametrize("per", ["strum", "take", "pickup"])
@pytest.mark.parametrize("shape", ["wide", "long"])
def test_every_format_saves_the_same_rows(bench: coilbench.Client, tmp_path: Path, per: str, shape: str) -> None:
    table = bench.table(per, FEW, shape=shape)  # type: ignore[arg-type]
    number, keys = len(table), [column.key for column in table.columns]
    counted = {form: bench_fetch(table, tmp_path / f"t.{form}") for form in ("csv", "jsonl", "json", "xlsx", "parquet")}
    assert set(counted.values()) == {number}
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert (len(rows), list(rows[0])) == (number, keys)
    assert [json.loads(line) for line in (tmp_path / "t.jsonl").read_text("utf-8").splitlines()] == list(table.rows)
    assert json.loads((tmp_path / "t.json").read_text("utf-8"))["items"] == list(table.rows)
    assert openpyxl.load_workbook(tmp_path / "t.xlsx").worksheets[0].max_row == number + 1
    assert pyarrow.parquet.read_metadata(tmp_path / "t.parquet").num_rows == number
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(f"t.{form}" for form in counted)


def bench_fetch(table: coilbench.Table, path: Path) -> int:
    """Save by the service; the number of rows it says."""
    assert isinstance(table, ServedTable)
    return table.fetch(path)


def test_a_table_by_pickup_becomes_a_data_frame(bench: coilbench.Client) -> None:
    frame = bench.table("pickup", FEW).to_pandas()
    assert frame["pickup"].tolist() == ["pickup-0", "pickup-1", "pickup-2"]
    assert frame["takes"].tolist() == [TAKES / 3] * 3
    assert (frame["rms_dbfs_low"] < frame["rms_dbfs"]).all()
    assert bench.table("pickup", FEW).left_out == bench.table("take", FEW).left_out == ()
    long = bench.table("pickup", FEW, shape="long").to_pandas()
    assert isinstance(long, pandas.DataFrame)
    assert long.pivot(index="pickup", columns="quantity", values="value")["rms_dbfs"].tolist() == pytest.approx(
        frame["rms_dbfs"].tolist()
    )


def test_some_takes_are_told_by_pickup_up_to_as_many_as_can_be_named(bench: coilbench.Client) -> None:
    takes = list(bench.takes())
    assert [row["takes"] for row in bench.table_of(takes[:4], "pickup", FEW)] == [2, 1, 1]
    with pytest.raises(ValueError, match="no more than 100 takes can be named"):
        bench.table_of(takes, "pickup")


def test_the_command_saves_by_pickup_and_says_how_many_rows(command: Command, tmp_path: Path) -> None:
    for form in ("xlsx", "csv", "parquet", "jsonl", "json"):
        status, out, err = command("table", "--per", "pickup", "--quantities", "rms_dbfs", "-o", tmp_path / f"t.{form}")
        assert (status, out) == (0, "")
        assert "3 rows of" in err
    assert openpyxl.load_workbook(tmp_path / "t.xlsx").sheetnames == [
        "pickups",
        "charts",
        "conditions",
        "checks",
        "columns",
    ]


def test_the_command_names_the_format_and_prints_it(command: Command, tmp_path: Path) -> None:
    status, _, err = command("table", "--shape", "long", "--format", "parquet", "-o", tmp_path / "table.out")
    assert (status, "rows of" in err) == (0, True)
    assert pyarrow.parquet.read_table(tmp_path / "table.out").column_names[-1] == "reason"
    status, _, err = command("table", "--format", "xlsx")
    assert (status, "add -o NAME.xlsx" in err) == (2, True)
    status, _, err = command("table", "-o", tmp_path / "table.ods")
    assert (status, ".csv, .xlsx, .json, .jsonl, .parquet" in err) == (2, True)


def test_the_command_shows_pickups_and_the_long_shape_on_the_screen(command: Command) -> None:
    status, out, _ = command("table", "--per", "pickup")
    assert status == 0
    assert all(f"pickup-{number}" in out for number in range(3))
    assert "± half of the 95 % interval of the mean" in out
    status, out, _ = command("table", "--per", "pickup", "--shape", "long", "--quantities", "rms_dbfs")
    assert status == 0
    assert out.splitlines()[0].split() == ["pickup", "quantity", "value", "unit", "sd", "low", "high", "n"]
    status, out, _ = command("table", "--per", "strum", "--quantities", "rms_dbfs", "--json")
    assert (status, len(out.splitlines())) == (0, TAKES * STRUMS)
