"""One take whose gain nobody stated costs its own pickup its levels, and no other."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from http_service import Service
from http_service import service as running_service
from stored_takes import document, entered

LEVELS = {
    "ash-neck": [-20.0, -20.4],
    "birch-neck": [-14.0, -14.5],
    "cedar-neck": [-17.0, -17.3],
    "elm-neck": [-11.0, -11.2],
}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("stray")) as made:
        entered(made.bench.database, {"pickup": "ash-neck"}, document([-21.0, -21.2]))  # the first of all
        for number, (pickup, levels) in enumerate(LEVELS.items()):
            for _ in range(2):
                entered(made.bench.database, {"pickup": pickup, "input_gain_db": 10.0}, document(levels))
            sheet = {"key": pickup, "turns": 6000 + 1000 * number, "active": number > 1}
            assert made.client.post("/v1/pickups", json=sheet).status_code == 201
        yield made


def test_groups_and_fits_keep_the_levels_of_the_others(service: Service) -> None:
    question = {"field": "active", "quantities": ["rms_dbfs"]}
    grouped = service.client.post("/v1/comparisons/groups", json=question).json
    assert "goes without its levels" in " ".join(grouped["cautions"])
    assert "ash-neck" in " ".join(grouped["cautions"])
    assert "birch-neck" not in " ".join(grouped["cautions"])
    fitted = service.client.post(
        "/v1/comparisons/specifications", json={"fields": ["turns"], "quantities": ["rms_dbfs"]}
    ).json
    (fit,) = fitted["results"]
    assert {point["pickup"]: round(point["y"], 6) for point in fit["points"]} == {
        "birch-neck": -14.25,
        "cedar-neck": -17.15,
        "elm-neck": -11.1,
    }


def test_the_table_by_pickup_keeps_the_levels_of_the_others(service: Service) -> None:
    rows = service.client.get("/v1/table?per=pickup&quantities=rms_dbfs").json["items"]
    found = {row["pickup"]: row["rms_dbfs"] for row in rows}
    assert found["ash-neck"] is None
    assert found["birch-neck"] == pytest.approx(-14.25)
    assert {row["levels_at_gain_db"] for row in rows} == {10.0}
