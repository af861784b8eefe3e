"""Tables: columns out of the catalogue, rows out of takes, CSV and spreadsheet cells that are what they say."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import openpyxl
import pytest

from coilbench_service.calibrations import Calibrations
from coilbench_service.table import csv_text
from coilbench_service.table.columns import REASONS, Column, Per, columns, names
from coilbench_service.table.rows import Row, Rows
from coilbench_service.table.workbook import write_workbook
from coilbench_worker.measure.calibration import ChainCalibrations, stated
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.takes import TakeRecord

MOMENT = datetime(2030, 3, 1, tzinfo=UTC)
KNOWN = ["take", "file", "label", "session", "pickup", "chain", "guitar", "position"]
STRUM_HEAD = [*KNOWN, "usable", "checks", "calibration", "strum", "onset_s", "end_s", "ended_by"]
TAKE_HEAD = [*KNOWN, "state", "problem", "usable", "checks", "calibration", "strums"]


def take(**changes: Any) -> TakeRecord:
    """A take as stored."""
    values = {
        "id": "t-1",
        "created": MOMENT,
        "updated": MOMENT,
        "state": "measured",
        "file_name": "a.wav",
        "bytes": 10,
        "sha256": "0" * 64,
        "blob": "00/" + "0" * 64,
        "about": {"label": "neck", "pickup": "harbour-neck", "input_gain_db": 12.0},
        "settings": {},
        "settings_key": "k",
        "problem": None,
        "job_id": None,
    }
    return TakeRecord(**{**values, **changes})


def check(code: str, severity: str = "caution", strums: tuple[int, ...] = ()) -> dict[str, Any]:
    """A check as stored."""
    return {"code": code, "severity": severity, "message": "m", "strums": list(strums), "times_s": [], "values": {}}


def strum(number: int, rms_dbfs: float | None) -> dict[str, Any]:
    """A strum as stored."""
    return {
        "number": number,
        "onset_s": number + 0.25,
        "end_s": number + 1.0,
        "ended_by": "next",
        "quantities": {"rms_dbfs": rms_dbfs, "peak_dbfs": -3.0},
        "octave_db": {"63": -20.5, "125": None},
        "third_octave_db": {},
        "band_decay_db_per_s": {"bass": 4.0},
        "reasons": {},
    }


def summary(mean: float | None) -> dict[str, Any]:
    """A summary as stored."""
    return {"mean": mean, "sd": 0.5, "n": 2, "low": -13.0, "high": -11.0, "min": -13.0, "max": -11.0}


def measurement(**changes: Any) -> MeasurementRecord:
    """A measurement as stored."""
    document = {
        "version": "1",
        "settings": {},
        "audio": {},
        "checks": [check("hum", "note"), check("strum-cut-short", strums=(2,))],
        "usable": True,
        "noise": {"noise_dbfs": -80.0, "hum_hz": None},
        "strums": [strum(1, -12.0), strum(2, None)],
        "summary": {"rms_dbfs": summary(-12.0), "octave_db": {"63": summary(-20.5)}},
        "take_quantities": {"evenness_db": 0.7},
    }
    return MeasurementRecord("t-1", "k", "1", MOMENT, {**document, **changes})


class Chains(Calibrations):
    """The chains that a test says there are, without a database."""

    def __init__(self, *known: ChainCalibrations) -> None:
        self._chains = {chain.key: chain for chain in known}


def rows_of(per: Per, chosen: list[str] | None = None, chains: Chains | None = None) -> Callable[..., Iterator[Row]]:
    """Makes rows of a take and its measurement."""
    return lambda take, measurement: Rows(per, chosen).of(take, measurement, take.about, chains or Chains())


def test_the_columns_of_strums_are_the_agreed_ones_and_then_the_catalogue_in_its_order() -> None:
    keys = [column.key for column in columns("strum")]
    of_strums = [key for quantity in QUANTITIES if quantity.of == "strum" for key in quantity.columns()]
    assert keys == [*STRUM_HEAD, *of_strums, "reasons"]
    assert "octave_db_63" in keys
    assert "band_decay_db_per_s_bass" in keys


def test_the_columns_of_takes_have_mean_and_spread_then_take_and_noise() -> None:
    keys = [column.key for column in columns("take")]
    assert keys[: len(TAKE_HEAD)] == TAKE_HEAD
    at = keys.index("rms_dbfs")
    assert keys[at : at + 4] == ["rms_dbfs", "rms_dbfs_sd", "rms_dbfs_low", "rms_dbfs_high"]
    further = [key for quantity in QUANTITIES if quantity.of != "strum" for key in quantity.columns()]
    assert keys[-len(further) - 1 :] == [*further, "reasons"]


def test_no_column_is_there_twice() -> None:
    for per in ("strum", "take"):
        keys = [column.key for column in columns(per)]  # type: ignore[arg-type]
        assert len(keys) == len(set(keys))


def test_a_choice_of_quantities_keeps_what_is_known_and_takes_keys_of_vectors_and_of_parts() -> None:
    keys = [column.key for column in columns("strum", ["rms_dbfs", "octave_db_125"])]
    assert keys == [*STRUM_HEAD, "rms_dbfs", "octave_db_125", "reasons"]
    whole = [column.key for column in columns("strum", ["octave_db"])]
    assert whole[len(STRUM_HEAD) : -1] == [name for name in names() if name.startswith("octave_db_")]


def test_each_strum_has_a_row_with_its_own_checks() -> None:
    first, second = rows_of("strum")(take(), measurement())
    assert (first["take"], first["file"], first["label"], first["pickup"]) == ("t-1", "a.wav", "neck", "harbour-neck")
    assert (first["strum"], first["onset_s"], first["ended_by"]) == (1, 1.25, "next")
    assert (first["rms_dbfs"], second["rms_dbfs"]) == (-12.0, None)
    assert (first["octave_db_63"], first["octave_db_125"], first["octave_db_1000"]) == (-20.5, None, None)
    assert first["band_decay_db_per_s_bass"] == 4.0
    assert (first["checks"], second["checks"]) == ("hum", "hum, strum-cut-short")
    assert first["usable"] is True


def test_each_take_has_a_row_with_mean_and_spread() -> None:
    (row,) = rows_of("take")(take(), measurement())
    assert (row["rms_dbfs"], row["rms_dbfs_sd"], row["rms_dbfs_low"], row["rms_dbfs_high"]) == (
        -12.0,
        0.5,
        -13.0,
        -11.0,
    )
    assert (row["octave_db_63"], row["octave_db_63_sd"], row["octave_db_125"]) == (-20.5, 0.5, None)
    assert (row["evenness_db"], row["noise_dbfs"], row["hum_hz"]) == (0.7, -80.0, None)
    assert (row["strums"], row["state"], row["problem"]) == (2, "measured", None)


def test_a_take_that_was_not_measured_has_a_row_of_its_own_and_none_per_strum() -> None:
    rejected = take(state="rejected", problem={"title": "No strums found"})
    (row,) = rows_of("take")(rejected, None)
    assert (row["state"], row["problem"], row.get("rms_dbfs"), row.get("usable")) == (
        "rejected",
        "No strums found",
        None,
        None,
    )
    assert list(rows_of("strum")(rejected, None)) == []


def test_checks_of_the_description_are_counted_as_it_is_now() -> None:
    (row,) = rows_of("take")(take(about={}), measurement(checks=[]))
    assert row["checks"] == "gain-unknown"


DEFUSED = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x")', "\n=1", " =1", "\u00a0\u3000=1"]
# Passed over at the begin by what reads a cell: byte order mark, zero-width space and joiner, direction marks.
DEFUSED += ["\ufeff=1", "\u200b+1", "\u200d\u2060-1", "\u202e@A1", "\x00=1", "\u2028=1"]
DEFUSED += [
    "\uff1d1+1",
    "\uff0b1",
    "\uff0d1",
    "\uff20SUM(A1)",
    "\ufe661",
    "\ufe621",
    "\ufe631",
    "\ufe6bA1",
]  # wide, small


@pytest.mark.parametrize("text", DEFUSED)
def test_text_that_a_spreadsheet_would_run_is_defused(text: str) -> None:
    # CWE-1236, and the list of characters in OWASP ASVS 1.2.10 (named in the field notes)
    assert csv_text.cell(text) == f"'{text}"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (-3.25, "-3.25"),
        (-1, "-1"),
        (None, ""),
        (True, "true"),
        (False, "false"),
        ("a-b", "a-b"),
        ("", ""),
        (" \u200b", " \u200b"),
        ("\ufeffplain", "\ufeffplain"),
        ("音=1", "音=1"),
        (0.1 + 0.2, repr(0.1 + 0.2)),
    ],
)
def test_numbers_stay_numbers_and_plain_text_stays_as_it_is(value: object, text: str) -> None:
    assert csv_text.cell(value) == text


SHORT, WEAK = "the strum ends before its window does", "the energy can be followed only 6.1 dB down"


def with_reasons(number: int, **reasons: str) -> dict[str, Any]:
    """A strum in which these quantities are null, parts by their flat keys."""
    made = strum(number, -12.0)
    made["quantities"] |= {"attack_ms": 3.0, "crest_db": 9.0, "decay_db_per_s": 8.0}
    made["band_decay_db_per_s"] = {"bass": 1.0, "middle": 2.0, "treble": 3.0}
    for key in reasons:
        vector, _, part = key.rpartition("_")
        if vector == "band_decay_db_per_s":
            made[vector][part] = None
        else:
            made["quantities"][key] = None
    return {**made, "reasons": reasons}


CHOSEN = ["attack_ms", "crest_db", "decay_db_per_s", "band_decay_db_per_s"]


def test_a_strum_says_why_cells_are_empty_of_chosen_quantities_only() -> None:
    one = with_reasons(1, attack_ms=SHORT, crest_db=SHORT, decay_db_per_s=WEAK, band_decay_db_per_s_bass=WEAK)
    found = measurement(strums=[one, with_reasons(2)])
    first, second = rows_of("strum", CHOSEN)(take(), found)
    assert first["reasons"] == {
        "attack_ms": SHORT,
        "crest_db": SHORT,
        "decay_db_per_s": WEAK,
        "band_decay_db_per_s_bass": WEAK,
    }
    assert csv_text.cell(first["reasons"]) == (
        f"crest_db, attack_ms: {SHORT}; decay_db_per_s, band_decay_db_per_s_bass: {WEAK}"
    )
    assert (second["reasons"], csv_text.cell(second["reasons"])) == (None, "")
    (other, _) = rows_of("strum", ["crest_db"])(take(), found)
    assert other["reasons"] == {"crest_db": SHORT}


def test_a_vector_without_any_part_is_named_as_a_whole() -> None:
    parts = {f"band_decay_db_per_s_{part}": WEAK for part in ("bass", "middle", "treble")}
    (row,) = rows_of("strum", CHOSEN)(take(), measurement(strums=[with_reasons(1, **parts)]))
    assert row["reasons"] == {"band_decay_db_per_s": WEAK}


def test_a_null_without_a_reason_has_no_entry_and_a_number_never_has_one() -> None:
    silent = {**with_reasons(1), "reasons": {"crest_db": SHORT}}
    silent["quantities"]["decay_db_per_s"] = None
    (row,) = rows_of("strum", CHOSEN)(take(), measurement(strums=[silent]))
    assert row["reasons"] is None
    (row,) = rows_of("take", CHOSEN)(take(), measurement(strums=[{**silent, "reasons": {}}]))
    assert row["reasons"] is None


def test_a_take_says_of_how_many_strums_a_mean_is() -> None:
    other = WEAK.replace("6.1", "4.0")
    strums = [
        with_reasons(1, decay_db_per_s=WEAK, attack_ms=SHORT, crest_db=SHORT),
        with_reasons(2, decay_db_per_s=other, attack_ms=SHORT),
        with_reasons(3, attack_ms=SHORT),
    ]
    (row,) = rows_of("take", CHOSEN)(take(), measurement(strums=strums))
    assert row["reasons"] == {
        "attack_ms": SHORT,
        "crest_db": f"only 2 of 3 strums: {SHORT}",
        "decay_db_per_s": f"only 1 of 3 strums: {WEAK}",
    }


def test_different_reasons_of_a_mean_are_told_and_too_many_are_counted() -> None:
    two = [with_reasons(1, decay_db_per_s=WEAK), with_reasons(2, decay_db_per_s=SHORT)]
    (row,) = rows_of("take", CHOSEN)(take(), measurement(strums=two))
    assert row["reasons"] == {"decay_db_per_s": f"none of 2 strums: {WEAK}, or: {SHORT}"}
    three = [*two, with_reasons(3, decay_db_per_s="third"), with_reasons(4)]
    (row,) = rows_of("take", CHOSEN)(take(), measurement(strums=three))
    assert row["reasons"] == {"decay_db_per_s": f"only 1 of 4 strums: {WEAK}, or: {SHORT}, or 1 more reason"}


DESK = ChainCalibrations("desk", (stated(12.0, full_scale_v_rms=1.0, expanded_uncertainty_db=0.2),))


def test_millivolts_follow_from_level_and_full_scale_and_carry_their_uncertainty() -> None:
    keys = [column.key for column in columns("take", ["rms_mv"])]
    at = keys.index("rms_mv")
    spread = ["", "_sd", "_low", "_high", "_expanded_uncertainty"]
    assert keys[at : at + 5] == [f"rms_mv{ending}" for ending in spread]
    about = {"chain": "desk", "input_gain_db": 12.0}
    found = measurement(strums=[strum(1, -12.0), strum(2, -14.0)])
    first, second = rows_of("strum", ["rms_mv"], Chains(DESK))(take(about=about), found)
    # a value x stands for x * sqrt(2) * full scale: -12 dBFS RMS is 0.251189 of 1.414214 V
    assert first["rms_mv"] == pytest.approx(1000 * 2**0.5 * 10 ** (-12 / 20), rel=1e-6)
    assert (first["chain"], first["calibration"], first["reasons"]) == ("desk", "stated", None)
    (row,) = rows_of("take", ["rms_mv"], Chains(DESK))(take(about=about), found)
    assert row["rms_mv"] == pytest.approx((first["rms_mv"] + second["rms_mv"]) / 2, rel=1e-6)
    assert row["rms_mv_low"] < row["rms_mv"] < row["rms_mv_high"]
    assert row["rms_mv_expanded_uncertainty"] > 0


@pytest.mark.parametrize(
    ("about", "why", "checks"),
    [
        ({}, "the description names no chain", "gain-unknown"),
        ({"input_gain_db": 12.0, "chain": "shed"}, "there is no chain 'shed'", "gain-uncalibrated"),
        ({"chain": "desk"}, "names no input gain", "gain-unknown"),
        ({"input_gain_db": 20.0, "chain": "desk"}, "not calibrated at a gain of 20 dB", "gain-uncalibrated"),
    ],
)
def test_without_a_calibration_there_are_no_millivolts_and_the_reason_is_said(
    about: dict[str, Any], why: str, checks: str
) -> None:
    found = measurement(strums=[strum(1, -12.0)], checks=[])
    (row,) = rows_of("strum", ["rms_mv", "rms_dbfs"], Chains(DESK))(take(about=about), found)
    assert (row["rms_mv"], row["rms_dbfs"], row["calibration"], row["checks"]) == (None, -12.0, None, checks)
    assert why in row["reasons"]["rms_mv"]
    (row,) = rows_of("take", ["rms_mv"], Chains(DESK))(take(about=about), found)
    assert (row["rms_mv"], row["rms_mv_expanded_uncertainty"]) == (None, None)
    assert why in row["reasons"]["rms_mv"]


@pytest.mark.parametrize("per", ["take", "strum"])
def test_nothing_is_said_of_millivolts_where_no_chain_was_ever_made(per: Per) -> None:
    found = measurement(strums=[strum(1, -12.0)], reasons={"hum_hz": "no mains line stands out"})
    chosen = ["rms_mv", "rms_dbfs", "hum_hz"]
    (row,) = rows_of(per, chosen)(take(about={}), found)
    assert row["rms_mv"] is None
    assert row["reasons"] == ({"hum_hz": "no mains line stands out"} if per == "take" else None)
    (row,) = rows_of(per, chosen)(take(about={"chain": "desk"}), found)
    assert "there is no chain 'desk'" in row["reasons"]["rms_mv"]
    (row,) = rows_of(per, chosen, Chains(DESK))(take(about={}), found)
    assert "names no chain" in row["reasons"]["rms_mv"]


def test_a_take_says_why_its_own_quantities_and_its_noise_are_null() -> None:
    why = {"evenness_db": "fewer than two strums", "hum_hz": "no mains line stands out", "noise_dbfs": "unasked"}
    found = measurement(take_quantities={"evenness_db": None}, reasons=why)
    (row,) = rows_of("take", ["evenness_db", "hum_hz"])(take(), found)
    assert row["reasons"] == {"evenness_db": "fewer than two strums", "hum_hz": "no mains line stands out"}


COLUMNS = [
    Column("file", "File"),
    Column("rms_dbfs", "RMS", "dBFS", 1),
    Column("usable", "Usable"),
    Column("strum", "No"),
]
ROWS = [
    {"file": "=1+1", "rms_dbfs": -12.25, "usable": True, "strum": 1},
    {"file": 'quo"te, and\nline\x07', "rms_dbfs": None, "usable": False, "strum": 2},
    {"file": "http://example.org/x", "rms_dbfs": -0.5, "usable": None, "strum": 3},
]


def test_csv_is_read_back_by_the_standard_reader() -> None:
    text = b"".join(csv_text.csv_pieces(COLUMNS, ROWS)).decode()
    assert text.endswith("\r\n")
    assert list(csv.reader(io.StringIO(text, newline=""))) == [
        ["file", "rms_dbfs", "usable", "strum"],
        ["'=1+1", "-12.25", "true", "1"],
        ['quo"te, and\nline\x07', "", "false", "2"],
        ["http://example.org/x", "-0.5", "", "3"],
    ]


def test_csv_comes_in_pieces_while_rows_are_made() -> None:
    made = 0

    def rows() -> Any:
        nonlocal made
        for made in range(1, 20_001):  # noqa: B007 counted for the assertion
            yield ROWS[0]

    pieces = csv_text.csv_pieces(COLUMNS, rows())
    assert len(next(pieces)) < 100_000
    assert made < 20_000
    assert sum(piece.count(b"\r\n") for piece in pieces) > 10_000
    assert made == 20_000


def _book(rows: list[dict[str, Any]], **options: int) -> openpyxl.Workbook:
    file = io.BytesIO()
    write_workbook(file, COLUMNS, rows, "strums", **options)
    return openpyxl.load_workbook(io.BytesIO(file.getvalue()))


def test_spreadsheet_cells_have_types_and_nothing_is_a_formula_or_link() -> None:
    sheet = _book(ROWS)["strums"]
    assert [cell.value for cell in sheet[1]] == ["file", "rms_dbfs", "usable", "strum"]
    assert [(cell.value, cell.data_type) for cell in sheet[2]] == [("=1+1", "s"), (-12.25, "n"), (True, "b"), (1, "n")]
    assert sheet["B2"].number_format == "0.0"
    assert sheet["B3"].value is None
    assert sheet["A4"].value == "http://example.org/x"
    assert sheet["A4"].hyperlink is None
    assert sheet.freeze_panes == "B2"


def test_the_spreadsheet_explains_its_columns() -> None:
    sheet = _book(ROWS)["columns"]
    assert [cell.value for cell in sheet[1]] == ["column", "meaning", "unit", "definition", "source"]
    assert [cell.value for cell in sheet[3]][:3] == ["rms_dbfs", "RMS", "dBFS"]


def test_an_empty_spreadsheet_has_its_head() -> None:
    assert [cell.value for cell in _book([])["strums"][1]] == ["file", "rms_dbfs", "usable", "strum"]


def test_reasons_are_text_in_a_spreadsheet() -> None:
    file = io.BytesIO()
    rows = [{"reasons": {"crest_db": SHORT, "attack_ms": SHORT}}, {"reasons": None}]
    write_workbook(file, [REASONS], rows, "strums")
    sheet = openpyxl.load_workbook(io.BytesIO(file.getvalue()))["strums"]
    assert [cell.value for cell in sheet["A"]] == ["reasons", f"crest_db, attack_ms: {SHORT}"]


def test_rows_beyond_a_sheet_go_on_on_the_next() -> None:
    book = _book([{**ROWS[0], "strum": number} for number in range(1, 6)], max_rows=3)
    assert book.sheetnames == ["strums", "strums 2", "strums 3", "columns"]
    found = [book[name].cell(row, 4).value for name in book.sheetnames[:3] for row in (2, 3)]
    assert found == [1, 2, 3, 4, 5, None]
    assert book["strums 2"]["A1"].value == "file"
