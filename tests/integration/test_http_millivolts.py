"""Takes in millivolts: by the chain's calibration as it is now, without being measured again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from http_recordings import DBU_V, strums_wav
from http_service import Service
from http_service import service as running_service
from stored_takes import document, entered

GOOD = strums_wav()
ABOUT = {"chain": "desk", "input_gain_db": 20.0}


@pytest.fixture(scope="module")
def take(measured: Service) -> dict[str, Any]:
    """The take of this module, measured once."""
    return measured.measured(GOOD, about={"label": "open E"})


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service for the module."""
    with running_service(tmp_path_factory.mktemp("millivolts")) as made:
        yield made


@pytest.fixture
def service(measured: Service, take: dict[str, Any]) -> Iterator[Service]:
    """The service with the measured take and no chain; whatever a test does to them is undone."""
    client = measured.client
    yield measured
    for chain in client.get("/v1/chains").json["items"]:
        client.delete(chain["links"]["self"])
    client.patch(take["links"]["self"], json={"about": {"chain": None, "input_gain_db": None}})


def calibrated(service: Service, gain_db: float = 20.0, dbu: float = 6.0, key: str = "desk", **chain: Any) -> None:
    """Have a chain with one more calibration."""
    service.client.post("/v1/chains", json={"key": key, **chain})
    body = {"input_gain_db": gain_db, "full_scale_dbu": dbu, "uncertainty_db": 0.2}
    assert service.client.post(f"/v1/chains/{key}/calibrations", json=body).status_code == 201


def describe(service: Service, take: dict[str, Any], **about: Any) -> None:
    """Change the description, which must not have the take measured again."""
    answer = service.client.patch(take["links"]["self"], json={"about": about})
    assert answer.json["state"] == "measured"


def measurement(service: Service, take: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = service.client.get(take["links"]["measurement"]).json
    return found


def codes(found: dict[str, Any]) -> list[str]:
    return [check["code"] for check in found["checks"]]


def test_millivolts_equal_what_is_worked_out_by_hand(service: Service, take: dict[str, Any]) -> None:
    describe(service, take, **ABOUT)
    calibrated(service, dbu=6.0)
    found = measurement(service, take)
    full_scale_v = DBU_V * 10 ** (6 / 20)  # RMS of the sine whose peak just reaches full scale
    for strum in found["strums"]:
        for key, level in (("rms_mv", "rms_dbfs"), ("peak_mv", "peak_dbfs")):
            by_hand = 1000 * math.sqrt(2) * full_scale_v * 10 ** (strum["quantities"][level] / 20)
            assert strum["quantities"][key] == pytest.approx(by_hand, rel=1e-5)
    values = [strum["quantities"]["rms_mv"] for strum in found["strums"]]
    summary = found["summary"]["rms_mv"]
    assert summary["mean"] == pytest.approx(sum(values) / len(values))
    assert (summary["n"], summary["min"], summary["max"]) == (3, min(values), max(values))
    # at least the calibration's own 0.2 dB (k = 2), which is 2.3 % of the mean
    assert summary["expanded_uncertainty_mv"] > 0.95 * summary["mean"] * 0.2 * math.log(10) / 20
    block = found["calibration"]
    assert (block["chain"], block["by"], block["input_gain_db"]) == ("desk", "stated", 20.0)
    assert block["full_scale_v_rms"] == pytest.approx(full_scale_v)
    assert "gain-uncalibrated" not in codes(found)


def test_a_description_that_is_corrected_brings_millivolts_without_measuring_again(
    service: Service, take: dict[str, Any]
) -> None:
    calibrated(service)
    before = measurement(service, take)
    assert before["strums"][0]["quantities"]["rms_mv"] is None
    assert before["strums"][0]["reasons"]["rms_mv"] == "the description names no chain"
    assert before["calibration"] is None
    describe(service, take, **ABOUT)
    after = measurement(service, take)
    assert after["strums"][0]["quantities"]["rms_mv"] > 0
    assert (after["made"], after["version"]) == (before["made"], before["version"])
    assert service.work() == []


def test_a_chain_that_is_not_there_yet_is_a_check_until_it_is(service: Service, take: dict[str, Any]) -> None:
    describe(service, take, **ABOUT)
    found = measurement(service, take)
    (check,) = (check for check in found["checks"] if check["code"] == "gain-uncalibrated")
    assert check["severity"] == "caution"
    assert "there is no chain 'desk'" in check["message"]
    assert found["usable"]
    calibrated(service)
    assert "gain-uncalibrated" not in codes(measurement(service, take))
    service.client.delete("/v1/chains/desk")
    gone = measurement(service, take)
    assert "gain-uncalibrated" in codes(gone)
    assert gone["summary"]["rms_mv"]["mean"] is None
    assert gone["calibration"] is None


def test_each_gain_has_its_own_full_scale_and_the_newest_calibration_counts(
    service: Service, take: dict[str, Any]
) -> None:
    calibrated(service, 20.0, dbu=6.0)
    calibrated(service, 30.0, dbu=-4.0)
    describe(service, take, **ABOUT)
    at_20 = measurement(service, take)["summary"]["rms_mv"]["mean"]
    describe(service, take, input_gain_db=30.0)
    at_30 = measurement(service, take)["summary"]["rms_mv"]["mean"]
    assert at_20 / at_30 == pytest.approx(10 ** (10 / 20), rel=1e-5)
    calibrated(service, 30.0, dbu=-3.0)
    assert measurement(service, take)["summary"]["rms_mv"]["mean"] == pytest.approx(at_30 * 10 ** (1 / 20), rel=1e-5)
    newest = service.client.get("/v1/chains/desk").json["calibrations"][-1]
    service.client.delete(newest["links"]["self"])
    assert measurement(service, take)["summary"]["rms_mv"]["mean"] == at_30


def test_a_gain_between_is_reached_by_its_difference_only_where_the_chain_vouches_for_its_steps(
    service: Service, take: dict[str, Any]
) -> None:
    calibrated(service, 20.0, dbu=6.0)
    describe(service, take, chain="desk", input_gain_db=26.0)
    without = measurement(service, take)
    assert without["calibration"] is None
    assert "not calibrated at a gain of 26 dB" in without["strums"][0]["reasons"]["rms_mv"]
    service.client.patch("/v1/chains/desk", json={"gain_step_uncertainty_db": 0.3})
    moved = measurement(service, take)["calibration"]
    assert (moved["by"], moved["moved_db"]) == ("gain-difference", 6.0)
    assert moved["full_scale_dbu"] == pytest.approx(0.0, abs=1e-9)  # 6 dB more gain, 6 dB less at full scale
    assert moved["expanded_uncertainty_db"] == pytest.approx(math.hypot(0.2, 0.3))
    note = next(check for check in measurement(service, take)["checks"] if check["code"] == "gain-uncalibrated")
    assert note["severity"] == "note"


def test_the_tag_of_a_measurement_changes_with_the_calibration_of_its_chain(
    service: Service, take: dict[str, Any]
) -> None:
    describe(service, take, **ABOUT)
    calibrated(service, dbu=6.0)
    client, address = service.client, take["links"]["measurement"]
    tag = client.get(address).headers["ETag"]
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 304
    calibrated(service, dbu=5.0)
    assert client.get(address, headers={"If-None-Match": tag}).status_code == 200


def test_the_table_shows_the_same_millivolts_with_their_uncertainty(service: Service, take: dict[str, Any]) -> None:
    describe(service, take, **ABOUT)
    calibrated(service)
    found = measurement(service, take)
    (row,) = service.client.get("/v1/table?quantities=rms_mv").json["items"]
    summary = found["summary"]["rms_mv"]
    assert (row["rms_mv"], row["rms_mv_sd"]) == (summary["mean"], summary["sd"])
    assert row["rms_mv_expanded_uncertainty"] == summary["expanded_uncertainty_mv"]
    assert (row["chain"], row["calibration"]) == ("desk", "stated")
    strums = service.client.get("/v1/table?per=strum&quantities=peak_mv").json["items"]
    assert [row["peak_mv"] for row in strums] == [strum["quantities"]["peak_mv"] for strum in found["strums"]]
    text = service.client.get("/v1/table?quantities=rms_mv&format=csv").text
    assert "rms_mv_expanded_uncertainty" in text.splitlines()[0]


def test_a_table_asks_for_the_chains_once_whatever_the_number_of_takes(tmp_path: Path) -> None:
    with running_service(tmp_path) as service:
        for number in range(4):
            service.sent(GOOD, f"{number}.wav", {"chain": f"desk {number % 2}", "input_gain_db": 20})
        service.work()
        calibrated(service, key="desk 1")
        asked: list[str] = []
        event.listen(service.bench.database.engine, "before_cursor_execute", lambda *parts: asked.append(str(parts[2])))
        for address in ("/v1/table?quantities=rms_mv", "/v1/table?quantities=rms_mv&format=csv"):
            asked.clear()
            assert "desk 1" in service.client.get(address).text
            assert sum("FROM chains" in statement for statement in asked) == 2  # what is inherited; calibrations
            assert sum("FROM calibrations" in statement for statement in asked) == 1


def test_a_comparison_in_millivolts_says_that_their_scatter_grows_with_the_level(tmp_path: Path) -> None:
    with running_service(tmp_path) as service:
        calibrated(service)
        for pickup, level in (("harbour-neck", -30.0), ("mill-bridge", -22.0), ("weir-bridge", -16.0)):
            for number in range(2):
                levels = [level + 0.3 * number, level + 0.5 - 0.2 * number]
                entered(service.bench.database, {**ABOUT, "pickup": pickup}, document(levels))

        def cautions(others: list[str], quantity: str) -> str:
            asked = {"baseline": "harbour-neck", "others": others, "quantities": [quantity]}
            return " ".join(service.client.post("/v1/comparisons", json=asked).json["cautions"])

        both = ["mill-bridge", "weir-bridge"]
        assert "In mV a hotter pickup scatters more" in cautions(both, "rms_mv")
        assert "In mV" not in cautions(both, "rms_dbfs")
        assert "In mV" not in cautions(both[:1], "rms_mv")
