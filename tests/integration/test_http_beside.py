"""Model beside measurement, on modelled strums: coils that differ in the sheet only, and one that was moved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilbench_worker.coil.circuit import Coil, Load
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.pickup import Pickup
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Take, render
from http_recordings import pcm16
from http_service import Service, assert_problem
from http_service import service as running_service

RATE_HZ = 48_000
BRIGHT, DARK = Coil(2.3, 110e-12, 6000.0), Coil(6.0, 150e-12, 11_000.0)
LOAD = {"volume_pot_ohm": 250e3, "tone_pot_ohm": 250e3, "input_ohm": 1e6, "cable_pf": 470}
PLAYED_INTO = Load(1 / (2 / 250e3 + 1e-6), 470e-12)
PLACE_MM, MOVED_MM = (60.0,), (20.0,)


def recording(coil: Coil, place_mm: tuple[float, ...], seed: int) -> bytes:
    """Three strums of a hand that varies by the seed, at 48 kHz over faint hiss."""
    hand = np.random.default_rng(seed)
    strums = tuple(
        Strum(0.5 + 1.5 * number, force_db=float(hand.normal(0, 0.3)), pick_mm=130 + float(hand.normal(0, 1.5)))
        for number in range(3)
    )
    pickup = Pickup(place_mm, 14.0, coil, sensitivity_v=0.3, load=PLAYED_INTO)
    played = render(Take(pickup, strums, 5.0, chain=replace(Chain(), hiss_dbfs=-100.0), seed=seed), RATE_HZ)
    return pcm16(played.samples)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("beside")) as made:
        played = (("bright", BRIGHT, PLACE_MM), ("dark", DARK, PLACE_MM), ("moved", BRIGHT, MOVED_MM))
        for key, coil, place_mm in played:
            sheet: dict[str, Any] = {"key": key, "inductance_h": coil.inductance_h, "dcr_ohm": coil.resistance_ohm}
            sheet["capacitance_pf"] = coil.capacitance_f * 1e12
            assert made.client.post("/v1/pickups", json=sheet).status_code == 201
            about = {"pickup": key, "position": "middle" if place_mm is PLACE_MM else "bridge"}
            for seed in (1, 2):
                made.sent(recording(coil, place_mm, 10 * len(key) + seed), about=about)
        for extra in ({"key": "preamped", "active": True}, {"key": "unmeasured"}):
            sheet = {"inductance_h": 3.0, "dcr_ohm": 8000, "capacitance_pf": 100, **extra}
            assert made.client.post("/v1/pickups", json=sheet).status_code == 201
        assert made.client.post("/v1/pickups", json={"key": "unsaid"}).status_code == 201
        made.work()
        yield made


def asked(shop: Service, **body: Any) -> dict[str, Any]:
    answer = shop.client.post("/v1/coils", json={"load": LOAD, **body})
    assert answer.status_code == 200, answer.text
    document: dict[str, Any] = answer.json
    return document


def test_sheet_gives_the_coil_and_its_takes_stand_beside_the_model(shop: Service) -> None:
    found = asked(shop, pickup="bright")
    assert found["coil"] == {"inductance_h": 2.3, "resistance_ohm": 6000.0, "capacitance_pf": pytest.approx(110.0)}
    (side,) = found["beside"]["sides"]
    assert (side["takes"], side["strums"]) == (2, 6)
    assert side["low"] < side["measured_db"] < side["high"]
    assert side["rest_db"] == pytest.approx(side["measured_db"] - side["model_db"])
    measured = {octave["part"]: octave["measured_db"] for octave in side["octaves"]}
    assert side["measured_db"] == pytest.approx(
        (measured["4000"] + measured["8000"]) / 2 - (measured["500"] + measured["1000"] + measured["2000"]) / 3
    )
    assert found["beside"]["difference"] is None
    assert "these takes can't tell" in found["beside"]["sentences"][0]


def test_coils_of_one_hand_and_place_differ_as_the_model_says(shop: Service) -> None:
    """What made the recordings is this circuit, so the measured difference is the model's: no other reason is there."""
    beside = asked(shop, pickup="bright", beside="dark")["beside"]
    difference = beside["difference"]
    assert difference["model_db"] < -6
    assert difference["measured_db"] == pytest.approx(difference["model_db"], abs=0.5)
    assert difference["low"] < difference["measured_db"] < difference["high"]
    assert difference["withheld"] is None
    assert any("enough to explain" in sentence for sentence in beside["sentences"])


def test_same_coil_in_another_place_differs_without_the_model_and_the_place_is_named(shop: Service) -> None:
    beside = asked(shop, pickup="bright", beside="moved", confidence=0.9)["beside"]
    difference = beside["difference"]
    assert difference["model_db"] == 0.0
    assert difference["model_in_interval"] is False
    assert [one["field"] for one in beside["conditions"]] == ["position"]
    assert any("position" in sentence for sentence in beside["sentences"])
    assert any("something else" in sentence for sentence in beside["sentences"])


def test_preamp_and_missing_takes_withhold_the_figures_with_the_reason(shop: Service) -> None:
    for key, reason in (("preamped", "preamp"), ("unmeasured", "No usable take")):
        beside = asked(shop, pickup="bright", beside=key)["beside"]
        assert reason in beside["sides"][1]["withheld"]
        assert beside["difference"]["rest_db"] is None
        assert reason in beside["difference"]["withheld"]


def test_what_the_sheets_do_not_say_is_asked_for_by_name(shop: Service) -> None:
    problem = assert_problem(
        shop.client.post("/v1/coils", json={"pickup": "unsaid", "load": LOAD}), 422, "invalid-request"
    )
    assert [fault["field"] for fault in problem["errors"]] == [
        "coil.inductance_h",
        "coil.resistance_ohm",
        "coil.capacitance_pf",
    ]
    other = shop.client.post("/v1/coils", json={"pickup": "bright", "beside": "unsaid", "load": LOAD})
    assert "unsaid has no inductance_h" in assert_problem(other, 422, "invalid-request")["detail"]


def test_what_hangs_on_the_pickup_and_was_not_said_is_listed(shop: Service) -> None:
    found = asked(shop, pickup="bright", load={"cable_pf": 470})
    assert len(found["assumes"]) == 3
    assert asked(shop, pickup="bright")["assumes"] == []
