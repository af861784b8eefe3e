"""The electrical model's answer as text: what is said where numbers are missing, and a curve that fits the line."""

from math import hypot

import pytest

from coilbench.coil import CoilModel, ResponsePoint
from coilbench.coil_page import curve

HERTZ = [20 * 1000 ** (step / 120) for step in range(121)]
PLAIN = [ResponsePoint(hz, -20 * 0.4343 * hypot(hz / 5000, 0)) for hz in HERTZ]
NUMBERS = dict.fromkeys(("natural_hz", "damping", "q", "dc_db", "peak_hz", "peak_db", "minus3db_hz"))
SILENT = {
    **NUMBERS,
    "response": [{"hz": 20.0, "db": None}, {"hz": 20000.0, "db": None}],
    "reasons": {"peak_hz": "Nothing comes out at any frequency.", "dc_db": "The volume pot is at 0."},
    "assumes": ["No cable was given."],
    "limits": ["Eddy currents damp the peak."],
}
SIDE = {
    "pickup": "plain",
    "model_db": -2.0,
    "measured_db": -15.0,
    "low": -16.0,
    "high": -14.0,
    "rest_db": -13.0,
    "takes": 2,
    "strums": 8,
    "assumes": None,
    "withheld": None,
    "octaves": [],
}


@pytest.mark.parametrize("width", [60, 80, 120])
def test_curve_fits_the_line_and_has_a_mark_in_every_column(width: int) -> None:
    lines = list(curve(PLAIN, width, 0.0))
    assert max(map(len, lines)) <= width
    marks = [line.partition("|")[2] for line in lines if "|" in line]
    first = marks[0].index("*")
    assert first == 0
    assert 8 <= len(marks) <= 15
    assert lines[-1].split()[0] == "20"


def test_steep_curve_has_no_gaps_between_its_rows() -> None:
    steep = [ResponsePoint(hz, -40.0 if hz > 2000 else 0.0) for hz in HERTZ]
    marked = [line for line in curve(steep, 80, 0.0) if "|" in line and "*" not in line]
    assert marked == []


def test_curve_of_a_flat_response_is_one_line() -> None:
    marked = [line for line in curve([ResponsePoint(hz, -0.5) for hz in HERTZ], 80, -0.5) if "*" in line]
    assert len(marked) == 1


def test_silent_coil_says_why_in_place_of_numbers() -> None:
    said = str(CoilModel.from_document(SILENT).page(80))
    assert "nothing comes out" in said
    assert "The volume pot is at 0." in said
    assert "- No cable was given." in said
    assert "- Eddy currents damp the peak." in said


def test_measurement_stands_beside_the_model_with_interval_and_sentences() -> None:
    beside = {"sides": [SIDE, {**SIDE, "pickup": "hot", "model_db": None, "rest_db": None}], "difference": None,
              "sentences": ["These takes can't tell."]}  # fmt: skip
    said = str(CoilModel.from_document({**SILENT, "beside": beside}).page(80))
    assert "-16.0 to -14.0" in said
    assert "- These takes can't tell." in said
    assert "·" in said
    assert max(map(len, said.splitlines())) <= 80


def test_saved_answer_has_the_curve_first_and_every_number_by_name() -> None:
    coil = {"inductance_h": 2.5, "resistance_ohm": 6e3, "capacitance_pf": 110.0}
    found = CoilModel.from_document({**SILENT, "q": 1.5, "coil": coil})
    tables = found.tables()
    assert next(iter(tables)) == "response"
    assert {"name": "coil.inductance_h", "value": 2.5} in [dict(row) for row in tables["numbers"].rows]


def test_answer_that_is_no_coil_is_refused() -> None:
    with pytest.raises(KeyError):
        CoilModel.from_document({"natural_hz": 1.0})
