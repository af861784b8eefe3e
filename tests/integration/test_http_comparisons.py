"""Comparisons, studies, groups and choices over HTTP, on measured takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from scipy import stats

from http_recordings import RATE_HZ, pcm16, strums
from http_service import Service, assert_problem
from http_service import service as running_service

GAP_S = 1.0
PICKUPS = {"harbour-neck": -20.0, "mill-bridge": -14.0, "ferry-neck": -14.0}


def played(level_dbfs: float, seed: int) -> bytes:
    """Four strums of a hand that scatters by half a decibel."""
    samples = strums(count=4, gap_s=GAP_S, level_dbfs=level_dbfs)
    for number, change_db in enumerate(np.random.default_rng(seed).normal(0, 0.5, 4)):
        start = int((0.5 + number * GAP_S) * RATE_HZ)
        samples[start : start + int(GAP_S * RATE_HZ)] *= 10 ** (change_db / 20)
    return pcm16(samples)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, dict[str, list[str]]]]:
    """Two takes of two pickups at one gain; one of a third at another; one copy."""
    with running_service(tmp_path_factory.mktemp("shop")) as service:
        ids: dict[str, list[str]] = {}
        for seed, (pickup, level) in enumerate(PICKUPS.items()):
            for take in range(1 if pickup == "ferry-neck" else 2):
                about = {"pickup": pickup, "input_gain_db": 20 if pickup == "ferry-neck" else 10, "pick": "1.0 mm"}
                about["label"] = f"{pickup} {take}"
                sent = service.sent(played(level, 10 * seed + take), f"{pickup}-{take}.wav", about)
                ids.setdefault(pickup, []).append(sent["id"])
        copy = {"pickup": "harbour-neck", "input_gain_db": 10, "label": "again"}
        ids["copy"] = [service.sent(played(-20.0, 0), "copy.wav", copy)["id"]]
        service.work()
        for pickup, magnet in (("harbour-neck", "alnico 5"), ("mill-bridge", "ceramic"), ("ferry-neck", "ceramic")):
            sheet = {"key": pickup, "magnet": magnet, "dcr_ohm": 6000.0 if magnet == "alnico 5" else 14000.0}
            assert service.client.post("/v1/pickups", json=sheet).status_code == 201
        yield service, ids


def post(service: Service, path: str, body: dict[str, Any]) -> Any:
    answer = service.client.post(path, json=body)
    assert answer.status_code == 200, answer.text
    return answer.json


def levels(service: Service, take: str) -> list[float]:
    document = service.client.get(f"/v1/takes/{take}/measurement").json
    return [strum["quantities"]["rms_dbfs"] for strum in document["strums"]]


def test_single_takes_are_compared_after_welch(shop: tuple[Service, dict[str, list[str]]]) -> None:
    service, ids = shop
    one, two = ids["harbour-neck"][0], ids["mill-bridge"][0]
    found = post(service, "/v1/comparisons", {"baseline": one, "others": [two], "quantities": ["rms_dbfs"]})
    (row,) = found["results"]
    expected = stats.ttest_ind(levels(service, two), levels(service, one), equal_var=False)
    interval = expected.confidence_interval(0.95)
    assert (row["low"], row["high"]) == pytest.approx((interval.low, interval.high))
    assert (row["p"], row["p_holm"]) == pytest.approx((expected.pvalue, expected.pvalue))
    assert (row["verdict"], row["method"], row["takes"], row["strums"]) == ("higher", "welch", [1, 1], [4, 4])
    assert "hotter" in row["sentence"]
    assert found["ranking"]["rms_dbfs"] == [[two], [one]]


def test_several_takes_count_as_takes_and_a_copy_counts_once(shop: tuple[Service, dict[str, list[str]]]) -> None:
    service, ids = shop
    asked = {"baseline": "harbour-neck", "others": ["mill-bridge"], "quantities": ["rms_dbfs", "treble_db"]}
    found = post(service, "/v1/comparisons", asked)
    level = found["results"][0]
    means = [[np.mean(levels(service, take)) for take in ids[key]] for key in ("harbour-neck", "mill-bridge")]
    assert level["difference"] == pytest.approx(np.mean(means[1]) - np.mean(means[0]))
    assert (level["method"], level["degrees_of_freedom"], level["takes"]) == ("nested", 2.0, [2, 2])
    (left_out,) = found["left_out"]
    assert (left_out["take"], left_out["subject"]) == (ids["harbour-neck"][0], "harbour-neck")
    assert "older copy" in left_out["reason"]
    assert ids["copy"][0] in found["subjects"][0]["takes"]
    assert len(found["bands"]) == 8 + 26


def test_other_gains_withhold_levels_and_nothing_else(shop: tuple[Service, dict[str, list[str]]]) -> None:
    service, _ = shop
    asked = {"baseline": "mill-bridge", "others": ["ferry-neck"], "quantities": ["rms_dbfs", "crest_db"]}
    found = post(service, "/v1/comparisons", asked)
    level, crest = found["results"]
    assert "gains differ (10 and 20 dB)" in level["withheld"]
    assert (level["difference"], level["verdict"], level["p"]) == (None, None, None)
    assert (crest["withheld"], crest["verdict"]) == (None, "no-difference-shown")
    assert {"other": "ferry-neck", "field": "input_gain_db", "baseline": 10.0, "value": 20.0} in found["conditions"]
    assert found["ranking"]["rms_dbfs"] == [["mill-bridge"]]


def test_a_calibrated_chain_brings_gains_together(tmp_path_factory: pytest.TempPathFactory) -> None:
    with running_service(tmp_path_factory.mktemp("chain")) as service:
        chain = {"key": "desk", "gain_step_uncertainty_db": 0.4}
        assert service.client.post("/v1/chains", json=chain).status_code == 201
        full = {"input_gain_db": 10, "full_scale_dbu": 8, "uncertainty_db": 0.6}
        assert service.client.post("/v1/chains/desk/calibrations", json=full).status_code == 201
        for pickup, gain, level, seed in (("low", 10, -20.0, 1), ("high", 16, -14.0, 2)):
            about = {"pickup": pickup, "chain": "desk", "input_gain_db": gain}
            service.sent(played(level, seed), f"{pickup}.wav", about)
        service.work()
        (row,) = post(service, "/v1/comparisons", {"baseline": "low", "quantities": ["rms_dbfs"]})["results"]
        takes = {take["about"]["pickup"]: take["id"] for take in service.client.get("/v1/takes").json["items"]}
        one, two = levels(service, takes["low"]), levels(service, takes["high"])
        assert row["difference"] == pytest.approx(np.mean(two) - 6.0 - np.mean(one))
        alone = (np.var(one, ddof=1) + np.var(two, ddof=1)) / 4
        assert row["standard_error"] == pytest.approx((alone + 0.2**2) ** 0.5)


def test_groups_studies_specifications_and_choices_answer(shop: tuple[Service, dict[str, list[str]]]) -> None:
    service, _ = shop
    among = ["harbour-neck", "mill-bridge"]
    groups = post(service, "/v1/comparisons/groups", {"field": "magnet", "among": among, "quantities": ["rms_dbfs"]})
    assert [(one["value"], one["members"]) for one in groups["groups"]] == [
        ("alnico 5", ["harbour-neck"]),
        ("ceramic", ["mill-bridge"]),
    ]
    assert "a group of one pickup" in groups["results"][0]["withheld"]
    fits = post(service, "/v1/comparisons/specifications", {"fields": ["dcr_ohm"], "among": among})
    assert {one["verdict"] for one in fits["results"]} == {"too-few"}
    study = post(service, "/v1/comparisons/study", {"subjects": among, "quantities": ["rms_dbfs"]})
    (level,) = study["results"]
    assert 0.2 < level["repeatability"]["sd"] < 1.2
    assert level["repeatability"]["degrees_of_freedom"] == 12
    choice = post(service, "/v1/choices", {"reference": "harbour-neck", "wish": {"hot": True}, "among": among[1:]})
    assert (choice["fits"], choice["ranking"][0]["place"]) == (["mill-bridge"], 1)


def test_a_pickup_is_not_held_against_its_own_take(shop: tuple[Service, dict[str, list[str]]]) -> None:
    service, ids = shop
    asked = {"baseline": "mill-bridge", "others": [ids["mill-bridge"][0]], "quantities": ["crest_db"]}
    (row,) = post(service, "/v1/comparisons", asked)["results"]
    assert row["difference"] is None
    label = service.client.get(f"/v1/takes/{ids['mill-bridge'][0]}").json["about"].get("label") or ids["mill-bridge"][0]
    assert row["withheld"] == f"both sides hold the same take ({label})"


def test_levels_that_do_not_hang_together_leave_the_others_alone(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A pickup whose two takes stand at gains 20 dB apart adds nothing to what takes of the others scatter."""
    with running_service(tmp_path_factory.mktemp("loose")) as service:
        for seed, (pickup, take, gain) in enumerate(
            (("a", 0, 10), ("a", 1, 10), ("b", 0, 10), ("b", 1, 10), ("c", 0, 10), ("c", 1, 30))
        ):
            about = {"pickup": pickup, "input_gain_db": gain, "session": "monday" if pickup == "b" else None}
            about = {name: value for name, value in about.items() if value is not None}
            service.sent(played(-30.0 + (gain - 10), seed), f"{pickup}{take}.wav", {**about, "room": pickup})
        service.work()
        sheet = {"key": "monday", "date": "2026-04-06"}
        assert service.client.post("/v1/sessions", json=sheet).status_code == 201
        asked = {"baseline": "a", "others": ["b"], "quantities": ["rms_dbfs", "crest_db"]}
        alone = post(service, "/v1/comparisons", asked)
        beside = post(service, "/v1/comparisons", {**asked, "others": ["b", "c"]})
        assert beside["results"][0]["standard_error"] == alone["results"][0]["standard_error"]
        assert "gains differ" in beside["results"][2]["withheld"]
        assert beside["results"][3]["withheld"] is None
        said = [(one["field"], one["baseline"], one["value"]) for one in alone["conditions"]]
        assert said == [("session", None, "monday"), ("date", None, "2026-04-06"), ("extra.room", "a", "b")]
        study = post(service, "/v1/comparisons/study", {"subjects": ["a", "c"], "quantities": ["rms_dbfs", "crest_db"]})
        assert [one["id"] for one in study["subjects"]] == ["a", "c"]
        assert "c has levels of some takes only" in study["cautions"][0]
        assert study["results"][0]["between_takes"]["degrees_of_freedom"] == 1
        assert study["results"][1]["between_takes"]["degrees_of_freedom"] == 2


def test_nothing_to_compare_says_whether_to_wait_or_to_send(tmp_path_factory: pytest.TempPathFactory) -> None:
    with running_service(tmp_path_factory.mktemp("empty")) as service:
        asked = {"baseline": "a", "others": ["b"], "quantities": ["crest_db"]}
        empty = assert_problem(service.client.post("/v1/comparisons/study", json={}), 422, "nothing-to-compare")
        assert "Send takes" in empty["advice"]
        service.sent(played(-20.0, 1), "a.wav", {"pickup": "a"})
        service.sent(played(-20.0, 2), "b.wav", {"pickup": "b"})
        waiting = assert_problem(service.client.post("/v1/comparisons", json=asked), 422, "nothing-to-compare")
        assert "Wait until" in waiting["advice"]
        assert "not been measured yet" in waiting["detail"]
        service.work()
        assert post(service, "/v1/comparisons", asked)["results"][0]["withheld"] is None


def test_one_recording_under_two_names_is_not_compared_with_itself(tmp_path_factory: pytest.TempPathFactory) -> None:
    with running_service(tmp_path_factory.mktemp("twice")) as service:
        for pickup in ("a", "b"):
            service.sent(played(-20.0, 1), f"{pickup}.wav", {"pickup": pickup, "label": f"take of {pickup}"})
        service.work()
        (row,) = post(service, "/v1/comparisons", {"baseline": "a", "quantities": ["crest_db"]})["results"]
        assert row["withheld"] == (
            "both sides hold the same recording (take of a, and take of b); delete one of the two takes, or describe "
            "it anew"
        )


def test_a_field_that_goes_with_a_battery_is_told_of(tmp_path_factory: pytest.TempPathFactory) -> None:
    with running_service(tmp_path_factory.mktemp("battery")) as service:
        for number in range(6):
            active = number >= 4
            sheet = {"key": f"p{number}", "active": active, "wire_awg": 44 if active else 42 + number % 2}
            assert service.client.post("/v1/pickups", json=sheet).status_code == 201
            service.sent(played(-10.0 if active else -22.0, number), f"{number}.wav", {"pickup": f"p{number}"})
        service.work()
        asked = {"fields": ["wire_awg"], "quantities": ["rms_dbfs"]}
        found = post(service, "/v1/comparisons/specifications", asked)
        assert any("wire_awg" in caution and "active" in caution for caution in found["cautions"])


def test_fields_that_no_sheet_states_are_too_few_beside_one_that_is_there(
    shop: tuple[Service, dict[str, list[str]]],
) -> None:
    service, _ = shop
    found = post(service, "/v1/comparisons/specifications", {"among": ["harbour-neck", "mill-bridge"]})
    assert {one["field"] for one in found["results"]} == {"dcr_ohm", "inductance_h", "rated_output_mv"}
    assert {one["verdict"] for one in found["results"]} == {"too-few"}
    missing = {"take": None, "subject": "mill-bridge", "reason": "no sheet of it says inductance_h"}
    assert missing in found["left_out"]


@pytest.mark.parametrize(
    ("path", "body", "slug"),
    [
        ("/v1/comparisons", {"baseline": "mill-brigde"}, "subject-unknown"),
        ("/v1/comparisons", {"baseline": "mill-bridge", "others": []}, "invalid-request"),
        ("/v1/comparisons", {"baseline": "mill-bridge", "others": ["mill-bridge"]}, "invalid-request"),
        ("/v1/comparisons", {"baseline": "mill-bridge", "quantities": ["rms_db"]}, "invalid-request"),
        ("/v1/comparisons", {"baseline": "mill-bridge", "confidence": 1.0}, "invalid-request"),
        ("/v1/comparisons/groups", {"field": "colour"}, "field-unknown"),
        ("/v1/comparisons/study", {"subjects": ["nobody"]}, "subject-unknown"),
        ("/v1/comparisons/groups", {"field": "magnet", "among": ["mill-bridge", "mill-bridge"]}, "invalid-request"),
        ("/v1/comparisons/specifications", {"fields": ["colour", "weight_g"]}, "field-unknown"),
        ("/v1/comparisons/specifications", {"fields": ["turns", "turns"]}, "invalid-request"),
        ("/v1/comparisons/groups", {"field": "notes"}, "field-unknown"),
        ("/v1/comparisons/specifications", {"fields": ["magnet"]}, "field-unknown"),
        ("/v1/comparisons", {"baseline": "mill-bridge", "quantities": ["octave_db"]}, "invalid-request"),
        (
            "/v1/comparisons/study",
            {"quantities": ["rms_dbfs"], "difference": {"crest_db": 1.0}},
            "invalid-request",
        ),
        ("/v1/choices", {"reference": "mill-bridge", "wish": {}}, "invalid-request"),
        ("/v1/choices", {"reference": "mill-bridge", "wish": {"glassy": True}}, "wish-unknown"),
    ],
)
def test_what_can_not_be_asked_is_refused_by_name(
    shop: tuple[Service, dict[str, list[str]]], path: str, body: dict[str, Any], slug: str
) -> None:
    problem = assert_problem(shop[0].client.post(path, json=body), 422, slug)
    if body.get("baseline") == "mill-brigde":
        assert "mill-bridge" in problem["detail"]
    if slug == "subject-unknown":
        assert problem["errors"][0]["field"] in ("baseline", "subjects.0")
