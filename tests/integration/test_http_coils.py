"""The electrical model over HTTP: what the contract names, and what is refused."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from http_service import Service, assert_problem
from http_service import service as running_service

COIL = {"inductance_h": 2.5, "resistance_ohm": 6000, "capacitance_pf": 140}
LOAD = {"volume_pot_ohm": 250e3, "tone_pot_ohm": 250e3, "input_ohm": 1e6, "cable_pf": 470}
WIRE = {"awg": 42, "turns": 8000, "mean_turn_mm": 140, "temperature_c": 25}


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("coils")) as made:
        yield made


def test_a_loaded_coil_has_its_resonance_and_response(asked: Service) -> None:
    found = asked.client.post("/v1/coils", json={"coil": COIL, "load": LOAD}).json
    assert found["natural_hz"] == pytest.approx(4184.13, rel=1e-4)
    assert found["damping"] == pytest.approx(0.32625, rel=2e-4)
    assert found["q"] == pytest.approx(1.53256, rel=2e-4)
    assert found["dc_db"] == pytest.approx(-0.4568, abs=1e-3)
    assert found["peak_hz"] == pytest.approx(3712.15, rel=1e-4)
    assert found["peak_db"] == pytest.approx(3.7403, abs=1e-3)
    assert found["minus3db_hz"] == pytest.approx(6004.98, rel=1e-4)
    assert "wire" not in found
    assert found["response"][0]["db"] == pytest.approx(found["dc_db"], abs=0.01)
    assert max(point["db"] for point in found["response"]) <= found["peak_db"]


def test_a_winding_has_its_resistance_warm_and_cold(asked: Service) -> None:
    found = asked.client.post("/v1/coils", json={"wire": WIRE}).json
    assert found["wire"]["resistance_20c_ohm"] == pytest.approx(6128.2, abs=0.1)
    assert found["wire"]["resistance_ohm"] == pytest.approx(6128.2 * 1.01965, abs=0.2)
    assert found["wire"]["length_m"] == pytest.approx(1120)
    assert "natural_hz" not in found
    assert found["limits"]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"coil": {**COIL, "inductance_h": 0}},
        {"coil": {**COIL, "capacitance_pf": 0}},
        {"wire": {**WIRE, "diameter_mm": 0.06}},
        {"wire": {"turns": 8000, "mean_turn_mm": 140}},
        {"coil": COIL, "load": {"input_ohm": -1}},
        {"coil": COIL, "colour": "red"},
    ],
)
def test_what_is_no_coil_is_refused_by_name(asked: Service, body: dict[str, object]) -> None:
    assert_problem(asked.client.post("/v1/coils", json=body), 422, "invalid-request")
