"""Choices over HTTP: measured takes of invented pickups; wishes of words and quantities; what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter
from werkzeug.test import TestResponse

from http_recordings import RATE_HZ, pcm16, strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

TAKES, STRUMS = 2, 3
GAP_S = 1.0
SHEET = {"inductance_h": 2.5, "dcr_ohm": 6000, "capacitance_pf": 140}


def take(level_db: float, treble: float, seed: int) -> bytes:
    """Strums of a hand that scatters by 0.3 dB and of a plug by 0.1 dB; more `treble` lifts what is above 3 kHz."""
    draw = np.random.default_rng(seed)
    samples = 1e-5 * draw.standard_normal(int((0.5 + STRUMS * GAP_S) * RATE_HZ))
    time_s = np.arange(int(GAP_S * RATE_HZ)) / RATE_HZ
    plug_db = draw.normal(0, 0.1)
    for number in range(STRUMS):
        partials = sum(
            np.sin(2 * np.pi * 110 * k * time_s + draw.uniform(0, 6)) / k * np.exp(-time_s * (1.5 + 0.1 * k))
            for k in range(1, 60)
        )
        lifted = partials + treble * lfilter([1, -1], [1], partials) * RATE_HZ / (2 * np.pi * 3000)
        start = int((0.5 + number * GAP_S) * RATE_HZ)
        samples[start : start + len(time_s)] += 10 ** ((level_db + plug_db + draw.normal(0, 0.3)) / 20) * lifted
    return pcm16(np.clip(samples, -1, 1))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Four pickups: plain; hot by 6 dB; bright; one whose only take was recorded at another gain."""
    with running_service(tmp_path_factory.mktemp("choices")) as made:
        plan = {"plain": (-30, 0.0, 20), "hot": (-24, 0.0, 20), "bright": (-30, 1.0, 20), "elsewhere": (-28, 0.0, 31)}
        for number, (pickup, (level_db, treble, gain_db)) in enumerate(plan.items()):
            for again in range(TAKES):
                about = {"pickup": pickup, "input_gain_db": gain_db, "chain": "desk", "pick": "1.0 mm"}
                made.sent(take(level_db, treble, 10 * number + again), f"{pickup}-{again}.wav", about)
        made.sent(strums_wav(), "spoiled.wav", {"pickup": "spoiled", "expected_strums": 3})
        made.work()
        yield made


def ask(service: Service, wish: Any, reference: str = "plain", **more: Any) -> TestResponse:
    return service.client.post("/v1/choices", json={"reference": reference, "wish": wish, **more})


def chosen(service: Service, wish: dict[str, Any], **more: Any) -> dict[str, Any]:
    answer = ask(service, wish, **{"among": ["hot", "bright"], **more})
    assert answer.status_code == 200, answer.text
    document: dict[str, Any] = answer.json
    return document


def test_who_fits_a_wish_is_named_and_explained(bench: Service) -> None:
    found = chosen(bench, {"hot": True, "treble_db": "same"})
    assert found["fits"] == ["hot"]
    assert found["sentence"] == "hot fulfils the whole wish."
    assert found["advice"] == []
    assert [(one["asked"], one["quantity"], one["direction"], one["amount"]) for one in found["wish"]] == [
        ("hot", "rms_dbfs", "more", None), ("treble_db", "treble_db", "same", None)
    ]  # fmt: skip
    first, second = found["ranking"]
    assert (first["pickup"], first["place"], second["pickup"], second["fits"]) == ("hot", 1, "bright", False)
    level = first["items"][0]
    assert level["change"] == pytest.approx(6.0, abs=0.6)
    assert level["low"] < level["change"] < level["high"]
    assert (level["met"], level["sure"], level["miss"]) == (True, True, 0.0)
    assert first["sentence"].startswith("As wished: RMS level +")
    assert second["sentence"].startswith("Misses ")
    assert all("no source" in one["basis"] for one in found["wish"])


def test_changes_are_those_of_the_comparison(bench: Service) -> None:
    body = {"baseline": "plain", "others": ["hot", "bright"], "quantities": ["rms_dbfs", "treble_db"]}
    compared = bench.client.post("/v1/comparisons", json=body).json["results"]
    rows = {(row["other"], row["quantity"]): row for row in compared}
    for one in chosen(bench, {"rms_dbfs": 3, "treble_db": "same"})["ranking"]:
        for item in one["items"]:
            row = rows[one["pickup"], item["quantity"]]
            assert [item[name] for name in ("change", "low", "high")] == pytest.approx(
                [row[name] for name in ("difference", "low", "high")]
            )


def test_a_miss_is_in_the_unit_in_uncertainties_and_in_steps_of_an_ear(bench: Service) -> None:
    found = chosen(bench, {"rms_dbfs": 2}, among=["hot"])
    (one,) = found["ranking"]
    (item,) = one["items"]
    assert item["miss"] == pytest.approx(item["change"] - 2, abs=1e-9)
    assert item["miss_in_ear_steps"] == pytest.approx(item["miss"] / found["wish"][0]["ear_step"])
    assert item["miss_in_uncertainty"] > 2
    assert one["miss"] == pytest.approx(item["miss_in_ear_steps"])
    assert (found["fits"], found["sentence"]) == ([], "None fulfils the whole wish; hot comes closest.")
    assert "times its uncertainty, about 4 steps that an ear can tell" in one["sentence"]


def test_a_level_of_another_gain_is_withheld_and_takes_the_place_away(bench: Service) -> None:
    found = chosen(bench, {"hot": True, "bright": True}, among=["bright", "elsewhere"])
    last = found["ranking"][-1]
    assert (last["pickup"], last["place"], last["miss"], last["fits"]) == ("elsewhere", None, None, False)
    withheld = {item["quantity"]: item["withheld"] for item in last["items"]}
    assert withheld["rms_dbfs"]
    assert withheld["treble_db"] is None
    assert "nothing can be said of RMS level" in last["sentence"]
    alone = chosen(bench, {"hot": True, "bright": True}, among=["elsewhere"])
    assert alone["ranking"][0]["place"] == 1
    assert alone["fits"] == []
    assert any("the order leaves it out" in one for one in alone["cautions"])


def test_everyone_measured_is_looked_at_when_nobody_is_named(bench: Service) -> None:
    found = ask(bench, {"bright": True}).json
    assert {one["pickup"] for one in found["ranking"]} == {"hot", "bright", "elsewhere", "spoiled"}
    assert found["fits"] == ["bright"]


def test_words_as_changed_are_what_counts(bench: Service) -> None:
    bench.client.put("/v1/words/roaring", json={"items": [{"quantity": "rms_dbfs", "direction": "more", "amount": 6}]})
    found = chosen(bench, {"Roaring": True})
    assert (found["wish"][0]["amount"], found["fits"]) == (6.0, ["hot"])
    assert chosen(bench, {"roaring": 2})["fits"] == []


def test_advice_says_what_is_missing_on_the_sheet_or_which_way_to_go(bench: Service) -> None:
    wish = {"treble_db": 2, "rms_dbfs": 6}
    (missing,) = chosen(bench, wish, among=["hot"])["advice"]
    assert "the sheet of hot gives no inductance" in missing
    assert "the sheet of plain gives no inductance" in missing
    assert bench.client.post("/v1/pickups", json={"key": "hot", **SHEET}).status_code == 201
    told = chosen(bench, wish, among=["hot"])["advice"]
    assert told[0].startswith("Starting from hot (2.5 H, 6 kohm and 140 pF, into pots of 250 kohm")
    assert any(one.startswith("Pots of 500 kohm: ") and "misses by" in one for one in told)
    loaded = chosen(bench, wish, among=["hot"], load={"volume_pot_ohm": 5e5, "tone_pot_ohm": 5e5, "cable_pf": 300})
    assert "into pots of 500 kohm (volume) and 500 kohm (tone), an input of 1 Mohm and 300 pF" in loaded["advice"][0]
    assert not any(one.startswith("Pots of 500") for one in loaded["advice"])
    (silent,) = chosen(bench, {"decay_db_per_s": -30})["advice"]
    assert silent == "Of decay the model of coil and load says nothing."


def test_conditions_of_the_hand_that_differ_are_cautioned(bench: Service) -> None:
    (take,) = bench.client.get("/v1/takes?pickup=bright&limit=1").json["items"]
    bench.client.patch(take["links"]["self"], json={"about": {"pick": "0.6 mm"}})
    found = chosen(bench, {"bright": True})["cautions"]
    bench.client.patch(take["links"]["self"], json={"about": {"pick": "1.0 mm"}})
    assert "bright was recorded otherwise than plain: pick 0.6 mm; 1.0 mm against 1.0 mm." in found
    assert not any("otherwise" in one for one in chosen(bench, {"bright": True})["cautions"])


def test_a_single_take_may_be_the_reference(bench: Service) -> None:
    (take,) = bench.client.get("/v1/takes?pickup=plain&limit=1").json["items"]
    found = chosen(bench, {"hot": 6}, reference=take["id"])
    assert (found["reference"], found["fits"]) == (take["id"], ["hot"])


@pytest.mark.parametrize(
    ("wish", "slug", "field"),
    [
        ({}, "invalid-request", "wish"),
        ({"brigth": True}, "wish-unknown", "wish.brigth"),
        ({"trebel_db": 2}, "wish-unknown", "wish.trebel_db"),
        ({"octave_db": "more"}, "wish-unknown", "wish.octave_db"),
        ({"bright": True, "dark": True}, "wish-contradictory", "wish.dark"),
        ({"bright": True, "treble_db": -2}, "wish-contradictory", "wish.treble_db"),
        ({"treble_db": "up"}, "invalid-request", "wish.treble_db"),
        ({"bright": None}, "invalid-request", "wish.bright"),
        (["bright"], "invalid-request", "wish"),
    ],
)
def test_wishes_that_cannot_be_read_are_refused_by_name(bench: Service, wish: Any, slug: str, field: str) -> None:
    body = assert_problem(ask(bench, wish), 422, slug)
    assert [error["field"] for error in body["errors"]] == [field]


@pytest.mark.parametrize(
    ("asked", "slug", "field"),
    [
        ({"reference": "plian"}, "subject-unknown", "reference"),
        ({"among": ["hot", "nobody"]}, "subject-unknown", "among.1"),
        ({"among": ["plain"]}, "invalid-request", "body"),
        ({"among": []}, "invalid-request", "among"),
        ({"session": "never"}, "subject-unknown", "reference"),
        ({"load": {"cable_pf": -1}}, "invalid-request", "load.cable_pf"),
        ({"load": {"cable": 1}}, "invalid-request", "load.cable"),
        ({"colour": "red"}, "invalid-request", "colour"),
    ],
)
def test_what_is_wrong_with_a_request_is_named(bench: Service, asked: dict[str, Any], slug: str, field: str) -> None:
    body = assert_problem(ask(bench, {"bright": True}, **{"among": ["hot"], **asked}), 422, slug)
    assert field in [error["field"] for error in body["errors"]]


def test_a_reference_without_a_usable_take_is_refused_with_the_reasons(service: Service) -> None:
    service.sent(pcm16(np.zeros(2 * RATE_HZ)), "silent.wav", {"pickup": "silent"})
    service.sent(strums_wav(), "other.wav", {"pickup": "other"})
    service.work()
    body = assert_problem(ask(service, {"bright": True}, "silent"), 422, "nothing-to-compare")
    assert "rejected" in body["errors"][0]["message"]
    alone = assert_problem(ask(service, {"bright": True}, "other"), 422, "invalid-request")
    assert [error["field"] for error in alone["errors"]] == ["among"]
