"""Controls, two coils, bobbins, other turns over HTTP; and every null with its reason."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi
from typing import Any

import pytest

from http_service import Service, assert_problem
from http_service import service as running_service

COIL = {"inductance_h": 2.5, "resistance_ohm": 6000, "capacitance_pf": 140}
ONE = {"inductance_h": 2.1, "resistance_ohm": 4000, "capacitance_pf": 110}
TURNED = {**ONE, "winding_reversed": True, "magnet_reversed": True}
LOAD = {"volume_pot_ohm": 250e3, "tone_pot_ohm": 250e3, "input_ohm": 1e6, "cable_pf": 470}
WIRE = {"awg": 42, "turns": 8000, "mean_turn_mm": 140, "temperature_c": 25}
BOBBIN = {"core_length_mm": 56, "core_width_mm": 5, "height_mm": 11, "depth_mm": 4.5}
NUMBERS = ("natural_hz", "damping", "q", "dc_db", "peak_hz", "peak_db", "minus3db_hz")


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("coils")) as made:
        yield made


def found(asked: Service, **body: Any) -> dict[str, Any]:
    answer = asked.client.post("/v1/coils", json=body)
    assert answer.status_code == 200, answer.text
    document: dict[str, Any] = answer.json
    for name in NUMBERS:
        if "response" in document and document[name] is None:
            assert document["reasons"][name], f"{name} is null without a reason"
    return document


def test_tone_control_that_is_closed_takes_top_off(asked: Service) -> None:
    up, down = (
        found(asked, coil=COIL, load={**LOAD, "tone_capacitor_nf": 22, "tone_position": position})
        for position in (1, 0)
    )
    assert up["minus3db_hz"] > 5000
    assert down["minus3db_hz"] < 1500
    assert down["natural_hz"] == pytest.approx(1 / (2 * pi * (2.5 * 22.61e-9) ** 0.5), rel=0.05)


def test_volume_at_zero_gives_nulls_with_reasons_and_no_error(asked: Service) -> None:
    silent = found(asked, coil=COIL, load={**LOAD, "volume_position": 0})
    assert silent["dc_db"] is None
    assert silent["peak_hz"] is None
    assert {point["db"] for point in silent["response"]} == {None}


def test_coil_that_nothing_damps_has_no_height_and_says_so(asked: Service) -> None:
    bare = found(asked, coil={**COIL, "resistance_ohm": 0})
    assert bare["peak_db"] is None
    assert bare["q"] is None
    assert "no limit" in bare["reasons"]["peak_db"]


def test_pair_turned_round_cancels_hum_and_adds_the_strings(asked: Service) -> None:
    """A fact of the trade: common practice, no source."""
    pair = found(asked, coils=[ONE, TURNED], load=LOAD)
    assert pair["combination"]["hum_db"] is None
    assert pair["combination"]["string_db"] == pytest.approx(5.3, abs=0.3)
    assert pair["combination"]["dcr_ohm"] == pytest.approx(8000)
    assert pair["reasons"]["combination.hum_db"]
    swapped = found(asked, coils=[ONE, TURNED], combination="series-out-of-phase", load=LOAD)
    assert swapped["dc_db"] is None
    assert swapped["combination"]["hum_db"] is not None
    parallel = found(asked, coils=[ONE, TURNED], combination="parallel", load=LOAD)
    assert parallel["combination"]["dcr_ohm"] == pytest.approx(2000)
    assert parallel["peak_hz"] > pair["peak_hz"]


def test_coupling_given_takes_its_limit_off_and_moves_the_peak(asked: Service) -> None:
    apart, together = (found(asked, coils=[ONE, TURNED], coupling=k, load=LOAD) for k in (0, 0.3))
    assert together["peak_hz"] < apart["peak_hz"]
    assert any("couple" in limit for limit in apart["limits"])
    assert not any("couple" in limit for limit in together["limits"])


def test_bobbin_gives_the_mean_turn_and_says_what_fits(asked: Service) -> None:
    made = found(asked, wire={"awg": 42, "turns": 8000}, bobbin=BOBBIN)
    depth_mm = made["bobbin"]["depth_mm"]
    assert made["wire"]["mean_turn_mm"] == pytest.approx(2 * 51 + pi * 5 + pi * depth_mm)
    assert made["bobbin"]["fits"]
    assert made["wire"]["resistance_ohm"] == pytest.approx(6000, rel=0.1)
    back = found(asked, wire={"awg": 42, "resistance_ohm": made["wire"]["resistance_ohm"]}, bobbin=BOBBIN)
    assert back["wire"]["turns"] == pytest.approx(8000)


def test_conventions_of_wire_are_named_and_move_the_resistance(asked: Service) -> None:
    exact = found(asked, wire=WIRE)["wire"]
    rounded = found(asked, wire={**WIRE, "diameters": "rounded"})["wire"]
    winding_wire = found(asked, wire={**WIRE, "copper": "winding-wire"})["wire"]
    assert (exact["diameters"], exact["copper"]) == ("exact", "iec-60028")
    assert rounded["resistance_20c_ohm"] / exact["resistance_20c_ohm"] == pytest.approx(5.4442 / 5.4716, rel=1e-4)
    assert winding_wire["resistance_20c_ohm"] / exact["resistance_20c_ohm"] == pytest.approx(58 / 58.5)
    assert exact["low_ohm"] < exact["resistance_ohm"] < exact["high_ohm"]
    assert "MW 1000" in exact["tolerance"]


def test_wire_without_a_published_tolerance_has_null_bounds_with_the_reason(asked: Service) -> None:
    thick = found(asked, wire={"diameter_mm": 0.3, "turns": 500, "mean_turn_mm": 100})["wire"]
    assert (thick["low_ohm"], thick["high_ohm"]) == (None, None)
    assert "0.050 to 0.100 mm" in thick["reasons"]["low_ohm"]


def test_resistance_of_the_wire_goes_into_the_coil_that_names_none(asked: Service) -> None:
    made = found(asked, coil={"inductance_h": 2.5, "capacitance_pf": 140}, load=LOAD, wire=WIRE)
    assert made["coil"]["resistance_ohm"] == pytest.approx(made["wire"]["resistance_ohm"])


def test_twice_the_turns_do_not_double_the_output(asked: Service) -> None:
    """A fact of the trade: common practice, no source."""
    more = found(asked, coil=COIL, load=LOAD, wire={"awg": 42, "turns": 8000}, bobbin=BOBBIN, turns_times=2)
    turns = more["other_turns"]
    change = {point["hz"]: point["db"] for point in turns["change"]}
    assert turns["inductance_h"] == 10.0
    assert turns["resistance_ohm"] > 2 * COIL["resistance_ohm"]
    assert 5 < change[100] < 6
    assert change[6000] < 0
    assert turns["peak_hz"] < more["peak_hz"]
    assert "do not fit" in turns["sentence"]


def test_example_of_the_description_is_answered(asked: Service) -> None:
    described = asked.client.get("/v1/openapi.json").json
    body = described["paths"]["/v1/coils"]["post"]["requestBody"]["content"]["application/json"]
    made = found(asked, **body["example"])
    assert made["peak_hz"] == pytest.approx(3712.15, rel=1e-4)
    assert made["wire"]["resistance_20c_ohm"] == pytest.approx(6128.2, abs=0.1)


@pytest.mark.parametrize(
    ("body", "named"),
    [
        ({"coil": {"resistance_ohm": 6000, "capacitance_pf": 140}}, "coil.inductance_h"),
        ({"coil": {"inductance_h": 2.5, "capacitance_pf": 140}}, "coil.resistance_ohm"),
        ({"wire": {"awg": 42, "turns": 8000}}, "mean_turn_mm"),
        ({"wire": {"awg": 42, "mean_turn_mm": 140}}, "turns"),
        ({"wire": {**WIRE, "awg": 42.5, "diameters": "rounded"}}, "whole gauges"),
        ({"coil": COIL, "coils": [ONE, ONE]}, "not both"),
        ({"coils": [ONE]}, "coils"),
        ({"coil": COIL, "combination": "parallel"}, "two of them"),
        ({"coils": [ONE, {**ONE, "resistance_ohm": 0}], "combination": "parallel"}, "resistance_ohm > 0"),
        ({"coils": [{**ONE, "capacitance_pf": 0}] * 2}, "capacitance"),
        ({"coils": [ONE, ONE], "coupling": 1.0}, "coupling"),
        ({"load": LOAD, "wire": WIRE}, "load needs a coil"),
        ({"coil": COIL, "bobbin": BOBBIN}, "bobbin goes with wire"),
        ({"wire": WIRE, "bobbin": {**BOBBIN, "core_width_mm": 90}}, "core_width_mm"),
        ({"wire": WIRE, "bobbin": {**BOBBIN, "overall_mm": 0.01}}, "overall_mm"),
        ({"coil": COIL, "load": {"tone_pot_ohm": 250e3, "tone_position": 0}}, "short circuit"),
        ({"coil": COIL, "load": {"volume_position": 1.2}}, "volume_position"),
        ({"wire": WIRE, "turns_times": 2}, "one coil"),
        ({"coil": COIL, "beside": "another"}, "beside goes with pickup"),
        ({"pickup": "nobody-knows-it"}, "pickup"),
        ({"coil": COIL, "points": 5000}, "points"),
        ({"coil": {**COIL, "inductance_h": 1e9}}, "inductance_h"),
        ({"coil": {**COIL, "inductance_h": "2.5"}}, "inductance_h"),
    ],
)
def test_what_is_missing_or_can_not_be_is_named(asked: Service, body: dict[str, Any], named: str) -> None:
    problem = assert_problem(asked.client.post("/v1/coils", json=body), 422, "invalid-request")
    assert named in problem["detail"] + str(problem["errors"])
