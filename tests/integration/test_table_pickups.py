"""The table by pickup over HTTP: the takes that count in comparisons count here, and strums are not independent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from http_service import Service
from http_service import service as running_service
from stored_takes import document, entered

NECK = ([-20.0, -20.4, -19.8], [-21.1, -20.7], [-20.2, -20.6, -20.3, -20.1])
MILL = ([-14.0, -14.5, -13.8],)
CLIPPED: dict[str, Any] = {
    "code": "clipped",
    "severity": "reject",
    "message": "It is clipped.",
    "strums": [],
    "times_s": [],
    "values": {},
}
AT = {"input_gain_db": 10.0, "chain": "desk"}


@dataclass(frozen=True)
class Shop:
    """The service, and ids of takes by name."""

    service: Service
    ids: dict[str, str]

    def table(self, question: str = "") -> dict[str, Any]:
        """The table by pickup."""
        answer = self.service.client.get(f"/v1/table?per=pickup&{question}")
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json
        return found

    def row(self, pickup: str, question: str = "") -> dict[str, Any]:
        """The row of one pickup."""
        found: dict[str, Any] = next(row for row in self.table(question)["items"] if row["pickup"] == pickup)
        return found


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """Three takes of one pickup and what can't count beside them, one of a second, none of a third that counts."""
    with running_service(tmp_path_factory.mktemp("pickups")) as service:
        database, ids = service.bench.database, {}
        ids["older"] = entered(database, {"pickup": "harbour-neck", **AT}, document([-9.0, -9.5]), sha256="a" * 64)
        for number, levels in enumerate(NECK):
            about = {"pickup": "harbour-neck", "label": f"neck {number}", **AT}
            again = {"sha256": "a" * 64} if number == 0 else {}
            ids[f"neck {number}"] = entered(database, about, document(levels, noise_dbfs=-80.0 - number), **again)
        clipped = {**document([-3.0, -3.1]), "checks": [CLIPPED]}
        ids["clipped"] = entered(database, {"pickup": "harbour-neck", **AT}, clipped)
        ids["mill"] = entered(database, {"pickup": "mill-bridge", **AT}, document(MILL[0]))
        ids["other"] = entered(database, {"pickup": "mill-bridge", "session": "later", **AT}, document([-15.0, None]))
        problem = {"type": "/problems/no-strums", "title": "No strums found", "detail": "it is silent"}
        entered(database, {"pickup": "tarn-neck", **AT}, None, state="rejected", problem=problem)
        entered(database, {"pickup": "tarn-neck", **AT}, None, state="waiting")
        entered(database, {}, document([-30.0]))
        assert service.client.post("/v1/chains", json={"key": "desk"}).status_code == 201
        full = {"input_gain_db": 10, "full_scale_dbu": 8, "uncertainty_db": 0.4}
        assert service.client.post("/v1/chains/desk/calibrations", json=full).status_code == 201
        sheet = {"key": "harbour-neck", "name": "=1+1", "active": False, "dcr_ohm": 6000.0, "turns": 8000}
        assert service.client.post("/v1/pickups", json=sheet).status_code == 201
        yield Shop(service, ids)


def test_a_pickup_has_its_sheet_its_takes_and_what_was_left_out_with_the_reason(shop: Shop) -> None:
    row = shop.row("harbour-neck")
    assert (row["name"], row["active"], row["dcr_ohm"], row["turns"]) == ("=1+1", False, 6000.0, 8000)
    assert (row["takes"], row["strums"], row["left_out"], row["interval_from"]) == (3, 9, 2, "takes")
    assert "it is an older copy" in row["left_out_why"]
    assert "It is clipped." in row["left_out_why"]
    found = shop.table()
    reasons = {one["take"]: one["reason"] for one in found["left_out"]}
    assert "older copy" in reasons[shop.ids["older"]]
    assert "clipped" in reasons[shop.ids["clipped"]]
    assert reasons[None] == "1 take names no pickup"


def test_mean_and_interval_hold_takes_for_independent(shop: Shop) -> None:
    row = shop.row("harbour-neck", "quantities=rms_dbfs")
    means = [np.mean(levels) for levels in NECK]
    assert row["rms_dbfs"] == pytest.approx(np.mean(means))
    assert row["rms_dbfs_sd"] == pytest.approx(np.std(means, ddof=1))
    interval = stats.t.interval(0.95, 2, np.mean(means), stats.sem(means))
    assert (row["rms_dbfs_low"], row["rms_dbfs_high"]) == pytest.approx(interval)


def test_the_means_and_the_takes_left_out_are_those_of_a_comparison(shop: Shop) -> None:
    asked = {
        "baseline": "harbour-neck",
        "others": ["mill-bridge"],
        "quantities": ["rms_dbfs", "crest_db", "noise_dbfs"],
    }
    compared = shop.service.client.post("/v1/comparisons", json=asked).json
    rows = {row["pickup"]: row for row in shop.table()["items"]}
    for one in compared["results"]:
        assert rows["harbour-neck"][one["quantity"]] == pytest.approx(one["baseline_mean"])
        assert rows["mill-bridge"][one["quantity"]] == pytest.approx(one["other_mean"])
        assert [rows[key]["takes"] for key in ("harbour-neck", "mill-bridge")] == one["takes"]
    of_these = [one for one in shop.table()["left_out"] if one["subject"] in ("harbour-neck", "mill-bridge")]
    assert sorted(map(str, of_these)) == sorted(map(str, compared["left_out"]))


def test_evenness_is_that_of_strums_about_their_own_take_as_in_groups(shop: Shop) -> None:
    squares = sum(float(np.sum((np.array(levels) - np.mean(levels)) ** 2)) for levels in NECK)
    row = shop.row("harbour-neck", "quantities=evenness_db")
    assert row["evenness_db"] == pytest.approx((squares / (9 - 3)) ** 0.5)
    assert row["evenness_db_low"] is None
    assert "a scatter has no interval of a mean" in row["reasons"]["evenness_db"]


def test_takes_under_different_mains_have_no_mean_frequency(tmp_path: Path) -> None:
    with running_service(tmp_path) as service:
        for pickup, mains in (("harbour-neck", (50.0, 60.0)), ("mill-bridge", (50.0, 50.0))):
            for number, hum_hz in enumerate(mains):
                entered(service.bench.database, {"pickup": pickup}, document([-20.0 - number, -20.4], hum_hz=hum_hz))
        neck, mill = service.client.get("/v1/table?per=pickup&quantities=hum_hz").json["items"]
    assert (neck["hum_hz"], neck["reasons"]) == (None, {"hum_hz": "its takes differ: 50 and 60 Hz"})
    assert mill["hum_hz"] == 50.0


def test_of_a_single_take_the_strums_make_the_interval_and_it_is_said(shop: Shop) -> None:
    found = shop.row("mill-bridge", f"quantities=rms_dbfs,noise_dbfs&id={shop.ids['mill']}")
    interval = stats.t.interval(0.95, 2, np.mean(MILL[0]), stats.sem(MILL[0]))
    assert (found["rms_dbfs_low"], found["rms_dbfs_high"]) == pytest.approx(interval)
    assert (found["rms_dbfs_sd"], found["interval_from"], found["takes"]) == (None, "strums", 1)
    assert (found["noise_dbfs_low"], found["noise_dbfs"]) == (None, -80.0)


def page_of(service: Service, pickup: str) -> str:
    """The text of a pickup's page, white space as single spaces."""
    return " ".join(service.client.get(f"/pickups/{pickup}").text.split())


def test_the_page_of_a_pickup_says_what_intervals_rest_on_and_what_the_calibration_adds(shop: Shop) -> None:
    page, row = page_of(shop.service, "harbour-neck"), shop.row("harbour-neck", "quantities=rms_mv")
    assert "Spread and intervals are those of whole takes" in page
    assert "Levels read as at an input gain of 10 dB." in page
    assert f"RMS voltage ± {row['rms_mv_expanded_uncertainty']:.1f} mV" in page


def test_the_page_of_a_single_take_has_no_spread_of_takes(tmp_path: Path) -> None:
    with running_service(tmp_path) as service:
        entered(service.bench.database, {"pickup": "weir-bridge"}, document([-15.0, -15.5]))
        page = page_of(service, "weir-bridge")
    assert "There is one take: intervals are those of its strums, and there is no spread of takes." in page
    assert "mV hold" not in page


def test_rows_say_the_gain_that_levels_are_read_at(shop: Shop) -> None:
    assert shop.row("mill-bridge", "quantities=rms_dbfs")["levels_at_gain_db"] == 10.0
    assert shop.row("mill-bridge", "quantities=crest_db")["levels_at_gain_db"] is None


def test_a_mean_of_some_strums_only_says_so(shop: Shop) -> None:
    row = shop.row("mill-bridge", "quantities=rms_dbfs")
    assert row["rms_dbfs"] == pytest.approx((np.mean(MILL[0]) - 15.0) / 2)
    assert row["reasons"]["rms_dbfs"] == "only 4 of 5 strums: the strum ends before its window does"


def test_a_pickup_without_a_take_that_counts_has_a_row_that_says_why(shop: Shop) -> None:
    row = shop.row("tarn-neck", "quantities=rms_dbfs,octave_db")
    assert (row["takes"], row["left_out"], row["rms_dbfs"], row["octave_db_63"]) == (0, 2, None, None)
    assert row["left_out_why"] == "it was rejected: it is silent; it has not been measured yet"
    assert row["reasons"] == dict.fromkeys(("rms_dbfs", "octave_db"), "no take of it can carry a comparison")


def test_millivolts_have_an_uncertainty_that_is_never_less_than_their_scatter(shop: Shop) -> None:
    row = shop.row("harbour-neck", "quantities=rms_mv")
    volts = [
        np.mean([1000 * 2**0.5 * 10 ** (level / 20) * 0.6**0.5 * 10 ** (8 / 20) for level in take]) for take in NECK
    ]
    assert row["rms_mv"] == pytest.approx(np.mean(volts), rel=1e-6)
    assert row["rms_mv_expanded_uncertainty"] >= row["rms_mv_high"] - row["rms_mv"] > 0


def test_filters_hold_and_spread_can_be_left_out(shop: Shop) -> None:
    found = shop.table("session=later&quantities=rms_dbfs&spread=none")
    assert [(row["pickup"], row["takes"], row["rms_dbfs"]) for row in found["items"]] == [("mill-bridge", 1, -15.0)]
    assert [column["key"] for column in found["columns"]][-2:] == ["rms_dbfs", "reasons"]


def test_pickups_come_by_pages_and_levels_stand_on_one_reference_throughout(shop: Shop) -> None:
    whole = shop.table("quantities=rms_dbfs")["items"]
    address, paged = "/v1/table?per=pickup&quantities=rms_dbfs&limit=1", []
    while address:
        answer = shop.service.client.get(address)
        paged += answer.json["items"]
        address = answer.headers["Link"].split(">")[0][1:] if "Link" in answer.headers else ""
    assert paged == whole
    assert [row["pickup"] for row in paged] == ["harbour-neck", "mill-bridge", "tarn-neck"]


def test_levels_at_gains_that_do_not_hang_together_are_withheld_and_the_rest_stands(shop: Shop) -> None:
    database = shop.service.bench.database
    entered(database, {"pickup": "weir-bridge", "session": "loose", "input_gain_db": 30.0}, document([-20.0, -21.0]))
    row = shop.row("weir-bridge", "quantities=rms_dbfs,crest_db")
    assert row["rms_dbfs"] is None
    assert "can't be brought to one full scale" in row["reasons"]["rms_dbfs"]
    assert row["crest_db"] is not None
    alone = shop.row("weir-bridge", "quantities=rms_dbfs,crest_db&session=loose")
    assert alone["rms_dbfs"] == pytest.approx(-20.5)


@pytest.mark.parametrize("per", ["pickup", "take", "strum"])
def test_the_long_shape_has_every_number_of_the_wide_one_with_its_unit(shop: Shop, per: str) -> None:
    question = f"per={per}&quantities=rms_dbfs,octave_db,evenness_db,noise_dbfs&state=measured"
    wide = shop.service.client.get(f"/v1/table?{question}").json
    long = shop.service.client.get(f"/v1/table?{question}&shape=long").json
    assert (long["shape"], wide["shape"]) == ("long", "wide")
    units = {column["key"]: column["unit"] for column in wide["columns"]}
    rows = iter(long["items"])
    names = [key for key in units if key in ("rms_dbfs", "evenness_db", "noise_dbfs") or key in OCTAVES]
    for row in wide["items"]:
        for name in names:
            one = next(rows)
            flat = one["quantity"] if one["part"] is None else f"{one['quantity']}_{one['part']}"
            assert (flat, one["value"], one["unit"]) == (name, row[name], units[name])
            for ending in ("sd", "low", "high"):
                assert one.get(ending) == row.get(f"{name}_{ending}")
            assert one["reason"] == (row["reasons"] or {}).get(name)
    assert next(rows, None) is None
    if per == "pickup":
        neck = next(row for row in long["items"] if (row["pickup"], row["quantity"]) == ("harbour-neck", "rms_dbfs"))
        assert neck["n"] == 3


OCTAVES = [f"octave_db_{band}" for band in (63, 125, 250, 500, 1000, 2000, 4000, 8000)]


def test_a_cursor_that_is_none_is_refused(shop: Shop) -> None:
    answer = shop.service.client.get("/v1/table?per=take&cursor=a%20b")
    assert (answer.status_code, answer.json["type"]) == (422, "/problems/invalid-request")
