"""Files of tables as they come: lost connections, refusals, and how rows are counted on the way."""

from __future__ import annotations

import csv
import io
import json
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

import coilbench
from coilbench import Column, Patience, Table
from coilbench.table_served import _counter

PAGE = {
    "per": "take",
    "columns": [{"key": "take", "title": "Take", "unit": None}],
    "items": [{"take": "t1"}],
    "next": None,
}
LINES = b"take\r\nt1\r\n"


class Answers:
    """What a file is answered with, one after the other: how many bytes of it come, its kind, its status."""

    def __init__(self, *scripted: tuple[int, str, int]) -> None:
        self.scripted = list(scripted)
        self.asked = 0


@contextmanager
def serving(answers: Answers) -> Iterator[str]:
    """A service that answers a page of JSON in full and files as scripted; its address."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_: object) -> None:
            pass

        def do_GET(self) -> None:
            form = parse_qs(urlsplit(self.path).query)["format"][0]
            come, kind, status, body = None, "application/json", 200, json.dumps(PAGE).encode()
            if form != "json":
                come, kind, status = answers.scripted[min(answers.asked, len(answers.scripted) - 1)]
                answers.asked += 1
                body = LINES if status == 200 else json.dumps({"title": "No Parquet", "status": status}).encode()
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body[:come])
            self.close_connection = True

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=lambda: server.serve_forever(poll_interval=0.02), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def table_at(url: str) -> Table:
    """A table by take, of a client that waits without waiting."""
    return coilbench.Client(url, retries=Patience(retries=2, pause=lambda _: None)).table("take")


CSV, WHOLE = "text/csv; charset=utf-8", len(LINES)


def test_a_connection_that_is_lost_within_the_file_is_tried_again_from_the_beginning(tmp_path: Path) -> None:
    answers = Answers((7, CSV, 200), (0, CSV, 200), (WHOLE, CSV, 200))
    with serving(answers) as url:
        path = table_at(url).save(tmp_path / "t.csv")
    assert path.read_bytes() == LINES
    assert answers.asked == 3


def test_a_file_that_never_becomes_complete_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("old")
    answers = Answers((7, CSV, 200))
    with serving(answers) as url, pytest.raises(coilbench.NotReachable, match="lost while the table came"):
        table_at(url).save(path)
    assert answers.asked == 3
    assert path.read_text() == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize(
    ("answer", "error", "said"),
    [
        ((10_000, "application/problem+json", 501), coilbench.ServiceFault, "No Parquet"),
        ((WHOLE, "text/html", 200), coilbench.UnreadableAnswer, "something else than parquet"),
    ],
)
def test_a_refusal_and_a_page_of_something_else_leave_no_file(
    tmp_path: Path, answer: tuple[int, str, int], error: type[Exception], said: str
) -> None:
    with serving(Answers(answer)) as url, pytest.raises(error, match=said):
        table_at(url).save(tmp_path / "t.parquet")
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_extension_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    answers = Answers((WHOLE, CSV, 200))
    with serving(answers) as url, pytest.raises(coilbench.UnknownFormat, match=r"has the extension \.ods"):
        table_at(url).save(tmp_path / "t.ods")
    assert answers.asked == 0


@given(st.lists(st.lists(st.text(alphabet='a",\r\n é'), min_size=2, max_size=2), max_size=6), st.integers(1, 7))
def test_rows_of_csv_are_counted_whatever_is_quoted_and_wherever_it_is_cut(rows: list[list[str]], size: int) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows([["a", "b"], *rows])
    data = text.getvalue().encode()
    count = _counter("csv")
    for start in range(0, len(data), size):
        count(data[start : start + size])
    assert count(b"") == len(rows)


COLUMNS = (Column("take", "Take"), Column("usable", "Usable"), Column("n", "N"), Column("rms_dbfs", "Level", "dBFS"))
ROWS = (
    {"take": "=1", "usable": True, "n": 3, "rms_dbfs": -20.5, "reasons": None},
    {"take": "t2", "usable": None, "n": None, "rms_dbfs": None, "reasons": {"rms_dbfs": "it is silent"}},
)
KEPT = Table("take", (*COLUMNS, Column("reasons", "Why")), ROWS)


def test_a_table_in_memory_is_saved_as_parquet_with_units_and_as_json_lines(tmp_path: Path) -> None:
    table = pyarrow.parquet.read_table(KEPT.save(tmp_path / "t.parquet"))
    assert [str(field.type) for field in table.schema] == ["string", "bool", "int64", "double", "string"]
    assert table.schema.field("rms_dbfs").metadata == {b"title": b"Level", b"unit": b"dBFS"}
    assert table.to_pylist()[1] == {
        **dict.fromkeys(("usable", "n", "rms_dbfs")),
        "take": "t2",
        "reasons": "rms_dbfs: it is silent",
    }
    lines = KEPT.save(tmp_path / "t.jsonl").read_text("utf-8").splitlines()
    assert [json.loads(line) for line in lines] == list(ROWS)


def test_parquet_without_pyarrow_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(coilbench.MissingLibrary, match=r"pip install 'coilbench\[parquet\]'"):
        KEPT.save(tmp_path / "t.parquet")
    assert list(tmp_path.iterdir()) == []
