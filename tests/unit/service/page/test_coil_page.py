"""The coil page's fields: the API's names, sliders that stand where the number is, what was typed, what is usual."""

from __future__ import annotations

import pytest

from coilbench_service.chart_questions import ResponseAsked
from coilbench_service.page.coil import sentence, setting_of
from coilbench_service.page.coil_fields import EXAMPLE, FIELDS, STEPS, USUAL, CoilField


def test_every_field_can_be_asked_of_the_picture_by_the_same_name() -> None:
    names = {field.name for field in FIELDS}
    assert names <= set(ResponseAsked.model_fields)
    asked = ResponseAsked.model_validate({**EXAMPLE, **USUAL}).request()
    assert asked.coil is not None
    assert asked.load is not None
    for field in FIELDS:
        model = asked.coil if field.part == "coil" else asked.load
        assert getattr(model, field.name) == {**EXAMPLE, **USUAL}[field.name]


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_a_slider_reaches_from_end_to_end_and_stops_there(field: CoilField) -> None:
    assert (field.step_of(field.start), field.step_of(field.end)) == (0, STEPS)
    assert (field.step_of(field.start - 1), field.step_of(field.end * 10)) == (0, STEPS)


def test_even_ratios_are_even_steps() -> None:
    field = CoilField("cable_pf", "Cable", "pF", 10, 1000, "load")
    assert field.step_of(100) == STEPS // 2


def test_where_nothing_was_typed_the_sheet_goes_before_what_is_usual() -> None:
    sheet = {"inductance_h": 3, "dcr_ohm": 8000, "volume_pot_ohm": 500_000}
    setting = setting_of({}, sheet)
    assert not setting.typed
    assert (setting.values["inductance_h"], setting.values["resistance_ohm"]) == (3, 8000)
    assert (setting.values["volume_pot_ohm"], setting.values["cable_pf"]) == (500_000, USUAL["cable_pf"])
    assert "capacitance_pf" not in setting.values  # the example's is none of its own
    assert setting_of({}, None).values == {**EXAMPLE, **USUAL}


def test_what_was_typed_holds_alone_and_emptied_fields_stay_empty() -> None:
    setting = setting_of({"inductance_h": "2,5", "cable_pf": "", "volume_pot_ohm": "x"}, {"dcr_ohm": 8000})
    assert setting.typed
    assert setting.values == {"inductance_h": 2.5}
    assert setting.faults == {"volume_pot_ohm": "x is not a number"}


def test_a_winding_needs_all_of_it() -> None:
    assert setting_of({"awg": "42"}, None).faults.keys() == {"turns", "mean_turn_mm"}
    assert setting_of({"temperature_c": "25"}, None).wire == {}


def test_a_response_is_said_in_words() -> None:
    silent = {"dc_db": None}
    plain = {"dc_db": -1.0, "peak_hz": None, "peak_db": None, "minus3db_hz": 1500.0}
    peaked = plain | {"peak_hz": 3970.0, "peak_db": 3.84}
    assert sentence(silent) == "Nothing comes out."
    assert sentence(plain) == "No peak; 3 dB down at 1.5 kHz."
    assert sentence(peaked) == "Peak of +3.8 dB at 3.97 kHz; 3 dB down at 1.5 kHz."
