"""Pictures about several pickups over HTTP: they draw what the questions answer, and no more."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import Any

import pytest
from flask.testing import FlaskClient

from http_recordings import pcm16, strums
from http_service import Service, assert_problem
from http_service import service as running_service

ODD = "weir \"'] + datum.x \\u0041<"
"""A key that is meant to break out of whatever it stands in."""
LEVELS = {"harbour-neck": -22.0, "ferry-neck": -20.1, ODD: -17.0, "mill-bridge": -14.2, "quay-bridge": -10.0}
"""Peak of the strums, dBFS."""
EVIL = 'datum["x"] + alert(1)'
"""A field of a sheet of one's own, whose name is meant to be taken for an expression."""
LOAD = {"volume_pot_ohm": 250e3, "input_ohm": 1e6, "cable_pf": 470}
LONG = "x" * 100


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Five pickups with sheets, one of them with two takes."""
    with running_service(tmp_path_factory.mktemp("charts")) as made:
        for number, (key, level_dbfs) in enumerate(LEVELS.items()):
            sheet = {"key": key, "dcr_ohm": 6000 * 2 ** ((level_dbfs + 22) / 6), "inductance_h": 2.0 + number}
            extra = {"capacitance_pf": 110, EVIL: 3.5 + number}
            assert made.client.post("/v1/pickups", json={**sheet, **extra}).status_code == 201
            for take in range(2 if number == 0 else 1):
                about = {"pickup": key, "label": f"{LONG}{take}" if number == 0 else key, "session": "tuesday"}
                samples = strums(count=3, level_dbfs=level_dbfs)
                samples[: len(samples) // 2] *= 0.99 + 0.005 * take
                made.sent(pcm16(samples), f"{number}-{take}.wav", about)
        made.work()
        yield made


@pytest.fixture
def client(shop: Service) -> FlaskClient:
    return shop.client


def document(client: FlaskClient, address: str) -> dict[str, Any]:
    answer = client.get(address, headers={"Accept": "application/json"})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def rows(part: Any) -> list[dict[str, Any]]:
    """All rows of data in a document."""
    if isinstance(part, list):
        return [row for one in part for row in rows(one)]
    if not isinstance(part, dict):
        return []
    own = part.get("data", {}).get("values", []) if isinstance(part.get("data"), dict) else []
    return [*own, *(row for name, one in part.items() if name != "data" for row in rows(one))]


def with_names(part: Any, *names: str) -> list[dict[str, Any]]:
    return [row for row in rows(part) if set(names) <= set(row)]


def test_intervals_are_those_of_the_comparison(client: FlaskClient) -> None:
    asked = {"baseline": "harbour-neck", "quantities": ["rms_dbfs", "crest_db"], "confidence": 0.9}
    told = client.post("/v1/comparisons", json=asked).json
    drawn = document(client, "/v1/charts/intervals?baseline=harbour-neck&quantity=rms_dbfs,crest_db&confidence=0.9")
    figures = ("other", "quantity", "difference", "low", "high", "smallest_shown", "verdict")
    expected = [{name: row[name] for name in figures} for row in told["results"]]
    assert {row["verdict"] for row in expected} == {"higher", "no-difference-shown"}
    found = [{name: row[name] for name in figures} for row in with_names(drawn, *figures)]
    for row in expected:
        assert row in found
    assert {json.dumps(row) for row in found} == {json.dumps(row) for row in expected}
    (loudest,) = (row for row in expected if (row["other"], row["quantity"]) == ("quay-bridge", "rms_dbfs"))
    assert f"quay-bridge +{loudest['difference']:.1f} (+{loudest['low']:.1f} to" in drawn["description"]


def test_bands_differ_as_the_comparison_says(client: FlaskClient) -> None:
    told = client.post("/v1/comparisons", json={"baseline": "harbour-neck", "others": ["mill-bridge"]}).json
    drawn = document(client, "/v1/charts/bands?pickup=harbour-neck&pickup=mill-bridge")
    means = {(row["subject"], row["part"]): row["mean"] for row in with_names(drawn, "subject", "part", "mean")}
    thirds = [row for row in told["bands"] if row["quantity"] == "third_octave_db" and row["difference"] is not None]
    assert len(thirds) > 10
    for row in thirds:
        difference = means["mill-bridge", row["part"]] - means["harbour-neck", row["part"]]
        assert difference == pytest.approx(row["difference"], abs=1e-9)
    top = max((row for row in with_names(drawn, "mean") if row["mean"] is not None), key=lambda row: row["mean"])
    assert f"most at {top['part']} Hz" in drawn["description"]
    assert "Where there is one take only" in drawn["description"]


def test_points_and_verdicts_are_those_of_the_specifications(client: FlaskClient) -> None:
    asked = {"fields": ["dcr_ohm", EVIL], "quantities": ["rms_dbfs"]}
    told = client.post("/v1/comparisons/specifications", json=asked).json
    drawn = client.get(
        "/v1/charts/specification", query_string={"field": asked["fields"], "quantity": "rms_dbfs", "format": "json"}
    ).json
    predicts, *_ = told["results"]
    assert predicts["verdict"] == "predicts"
    assert predicts["slope"] == pytest.approx(6.0, abs=0.2)
    points = [{name: row[name] for name in ("pickup", "x", "y", "low", "high")} for row in with_names(drawn, "pickup")]
    assert points == [point for fit in told["results"] for point in fit["points"]]
    assert all(point["low"] < point["y"] < point["high"] for point in points)
    assert predicts["sentence"] in drawn["description"]
    assert '"expr"' not in json.dumps(drawn)
    assert {mark["field"] for mark in _channels(drawn) if "field" in mark}.isdisjoint({EVIL, "dcr_ohm"})


def _channels(part: Any) -> Iterator[dict[str, Any]]:
    if isinstance(part, list):
        for one in part:
            yield from _channels(one)
    elif isinstance(part, dict):
        yield from (one for one in part.get("encoding", {}).values() if isinstance(one, dict))
        for one in part.values():
            yield from _channels(one)


def test_response_is_that_of_the_model_with_its_peak_and_limits(client: FlaskClient) -> None:
    coil = {"inductance_h": 2.5, "resistance_ohm": 6000, "capacitance_pf": 110}
    told = client.post("/v1/coils", json={"coil": coil, "load": {**LOAD, "resistance_ohm": 2e6}}).json
    flat = {**coil, **LOAD, "load_ohm": 2e6, "format": "json"}
    drawn = client.get("/v1/charts/response", query_string=flat).json
    assert [{"hz": row["hz"], "db": row["db"]} for row in with_names(drawn, "hz", "db") if "mark" not in row] == told[
        "response"
    ]
    marks = {row["mark"]: (row["hz"], row["db"]) for row in with_names(drawn, "mark", "said")}
    assert marks["peak"] == (told["peak_hz"], told["peak_db"])
    assert marks["−3 dB"] == (told["minus3db_hz"], pytest.approx(told["dc_db"] - 3.01, abs=0.01))
    assert f"peak: {told['peak_hz'] / 1000:.3g} kHz, +{told['peak_db']:.1f} dB" in drawn["description"]
    assert all(limit in drawn["description"] for limit in told["limits"])


@pytest.mark.parametrize(
    ("change", "said"), [({"volume_position": 0}, "no peak: "), ({"resistance_ohm": 0}, "no limit")]
)
def test_a_response_without_its_marks_says_why(client: FlaskClient, change: dict[str, float], said: str) -> None:
    coil = {"inductance_h": 2.5, "resistance_ohm": 6000, "capacitance_pf": 110}
    load = {} if "resistance_ohm" in change else {"volume_pot_ohm": 250e3}
    drawn = client.get("/v1/charts/response", query_string={**coil, **load, **change, "format": "json"}).json
    assert not [row for row in with_names(drawn, "mark") if row["mark"] == "peak"]
    assert said in drawn["description"]


def test_two_pickups_have_two_curves_and_their_measured_octaves_beside(client: FlaskClient) -> None:
    pair = {"pickup": "harbour-neck", "beside": "mill-bridge"}
    told = client.post("/v1/coils", json={**pair, "load": LOAD}).json
    other = client.post("/v1/coils", json={"pickup": "mill-bridge", "load": LOAD}).json
    drawn = client.get("/v1/charts/response", query_string={**pair, **LOAD, "format": "json"}).json
    curve = [row for row in with_names(drawn, "hz", "db", "name") if "mark" not in row]
    for name, model in (("harbour-neck", told), ("mill-bridge", other)):
        assert [row["db"] for row in curve if row["name"] == name] == [point["db"] for point in model["response"]]
    octaves = [side["octaves"] for side in told["beside"]["sides"]]
    found = [row for row in with_names(drawn, "model_db", "measured_db") if row["way"] == "as measured"]
    assert [row["measured_db"] for row in found] == [one["measured_db"] for side in octaves for one in side]


def test_takes_are_called_by_their_labels_and_long_names_are_cut(client: FlaskClient) -> None:
    ids = [one["id"] for one in client.get("/v1/takes?pickup=harbour-neck").json["items"]]
    drawn = document(client, "/v1/charts/bands?" + "&".join(f"pickup={id}" for id in ids))
    names = {row["name"] for row in with_names(drawn, "subject", "name")}
    assert len(names) == 2
    assert all(len(name) < 40 for name in names)
    assert f"{LONG}1" in drawn["description"]


CHARTS = (
    "bands?session=tuesday",
    "intervals?baseline=harbour-neck&quantity=rms_dbfs",
    "specification?field=dcr_ohm&quantity=rms_dbfs",
    "response?pickup=harbour-neck&cable_pf=470",
)


@pytest.mark.parametrize("chart", CHARTS)
def test_every_chart_has_every_form(client: FlaskClient, chart: str) -> None:
    address = f"/v1/charts/{chart}"
    svg = client.get(address, headers={"Accept": "image/svg+xml,image/*"})
    assert (svg.status_code, svg.mimetype) == (200, "image/svg+xml")
    described = document(client, address)
    assert described["description"].rstrip().endswith(".")
    root = ET.fromstring(svg.text)
    assert described["description"] == root.findtext("{http://www.w3.org/2000/svg}desc")
    drawn = " ".join(text for one in root.iter("{http://www.w3.org/2000/svg}text") for text in one.itertext())
    assert chart.startswith("response") or ODD in drawn
    png = client.get(f"{address}&format=png&scale=1")
    assert png.data.startswith(b"\x89PNG\r\n\x1a\n")
    assert client.get(address, headers={"If-None-Match": svg.headers["ETag"]}).status_code == 304


def test_the_list_names_every_chart_with_what_it_is_asked(client: FlaskClient) -> None:
    items = client.get("/v1/charts").json["items"]
    paths = client.get("/v1/openapi.json").json["paths"]
    several = {item["address"] for item in items if item["address"] in paths}
    assert several == {path for path in paths if path.startswith("/v1/charts/")}
    single = {item["address"].rpartition("/")[2] for item in items if item["address"] not in paths}
    (name,) = (one for one in _parameters(paths, ONE_TAKE) if one["name"] == "name")
    assert single == set(name["schema"]["enum"])
    for item in items:
        path = item["address"] if item["address"] in paths else ONE_TAKE
        described = {one["name"]: one["required"] for one in _parameters(paths, path) if one["name"] != "name"}
        assert {one["name"]: one["required"] for one in item["asks"]} == described
        assert set(item["subjects"]) <= set(described)


ONE_TAKE = "/v1/takes/{take_id}/charts/{name}"


def _parameters(paths: dict[str, Any], path: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = paths[path]["get"]["parameters"]
    return found


@pytest.mark.parametrize(
    ("chart", "status", "slug", "named"),
    [
        ("intervals", 422, "invalid-request", "baseline"),
        ("intervals?baseline=nobody", 422, "subject-unknown", "baseline"),
        ("intervals?baseline=mill-bridge&other=mill-bridge", 422, "invalid-request", "twice"),
        ("intervals?baseline=mill-bridge&quantity=loudness", 422, "invalid-request", "quantity"),
        ("bands?pickup=mill-bridg", 422, "subject-unknown", "mill-bridge"),
        ("bands?pickups=mill-bridge", 422, "invalid-request", "pickups"),
        ("bands?confidence=2", 422, "invalid-request", "confidence"),
        ("bands?session=wednesday", 422, "nothing-to-compare", "usable"),
        ("specification?field=colour", 422, "field-unknown", "colour"),
        ("response", 422, "invalid-request", "give coil"),
        ("response?inductance_h=2&resistance_ohm=x", 422, "invalid-request", "resistance_ohm"),
        ("response?inductance_h=-2&resistance_ohm=6000", 422, "invalid-request", "inductance_h"),
        ("response?pickup=nobody", 422, "invalid-request", "pickup"),
        ("response?pickup=mill-bridge&beside=mill-bridge", 422, "invalid-request", "same pickup"),
        ("pie", 404, "not-found", "pie"),
    ],
)
def test_what_can_not_be_drawn_is_a_problem_that_names_it(
    client: FlaskClient, chart: str, status: int, slug: str, named: str
) -> None:
    problem = assert_problem(client.get(f"/v1/charts/{chart}"), status, slug)
    assert named in problem["detail"] + str(problem.get("errors"))


def test_more_than_a_chart_can_hold_is_refused(shop: Service) -> None:
    takes = [
        shop.sent(pcm16(strums(count=1, level_dbfs=-20 - 0.1 * number)), about={"pickup": f"many-{number}"})["id"]
        for number in range(8)
    ]
    shop.work()
    names = [*LEVELS, *takes]
    problem = assert_problem(
        shop.client.get("/v1/charts/bands", query_string={"pickup": names}), 422, "invalid-request"
    )
    assert "12 at most" in problem["detail"]
    fewer = shop.client.get("/v1/charts/bands", query_string={"pickup": names[:-1], "format": "json"})
    assert len({row["subject"] for row in with_names(fewer.json, "subject")}) == 12
