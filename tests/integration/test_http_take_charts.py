"""Pictures of a take over HTTP: forms, conditions, and takes that have none."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from coilbench_worker.store.schema import measurements
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

LABEL = 'Bench "A" <test> & more'


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    with running_service(tmp_path_factory.mktemp("charts")) as made:
        yield made, made.measured(strums_wav(), "take.wav", {"label": LABEL})["id"]


@pytest.fixture
def client(measured: tuple[Service, str]) -> FlaskClient:
    return measured[0].client


@pytest.fixture
def address(measured: tuple[Service, str]) -> str:
    return f"/v1/takes/{measured[1]}/charts/decay"


def test_image_of_a_page_is_svg_that_says_what_it_shows(client: FlaskClient, address: str) -> None:
    answer = client.get(address, headers={"Accept": "image/avif,image/webp,image/svg+xml,image/*,*/*;q=0.8"})
    assert answer.mimetype == "image/svg+xml"
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    root = ET.fromstring(answer.data)
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    assert root.get("role") == "img"
    assert LABEL in (root.findtext(f"{name}title") or "")
    assert "dB/s" in (root.findtext(f"{name}desc") or "")
    assert not [one for one in root.iter() if one.tag in (f"{name}script", f"{name}image", f"{name}foreignObject")]


def test_png_has_so_many_pixels_as_its_scale_says(client: FlaskClient, address: str) -> None:
    widths = []
    for scale in (1, 2):
        answer = client.get(f"{address}?format=png&scale={scale}")
        assert answer.mimetype == "image/png"
        assert answer.data.startswith(b"\x89PNG\r\n\x1a\n")
        widths.append(struct.unpack(">I", answer.data[16:20])[0])
    assert widths[1] == pytest.approx(2 * widths[0], abs=1)


def test_document_has_data_and_words_and_fetches_nothing(client: FlaskClient, address: str) -> None:
    answer = client.get(address, headers={"Accept": "application/json"})
    document = answer.json
    assert document["description"].startswith("Energy left against time")
    assert len(document["concat"]) == 3
    assert '"url"' not in answer.text
    assert answer.headers["Vary"] == "Accept"


def test_what_has_not_changed_is_not_drawn_again(client: FlaskClient, address: str) -> None:
    tag = client.get(address).headers["ETag"]
    again = client.get(address, headers={"If-None-Match": tag})
    assert (again.status_code, again.data) == (304, b"")
    assert client.get(f"{address}?format=png", headers={"If-None-Match": tag}).status_code == 200


def test_other_forms_and_names_are_problems(client: FlaskClient, address: str) -> None:
    assert_problem(client.get(address, headers={"Accept": "text/csv"}), 406, "not-acceptable")
    assert_problem(client.get(f"{address}?scale=99"), 422, "invalid-request")
    assert_problem(client.get(address.replace("decay", "pie")), 422, "invalid-request")
    assert_problem(client.get("/v1/takes/none/charts/decay"), 404, "take-not-found")


def test_take_without_a_measurement_says_why(service: Service) -> None:
    waiting = service.sent(strums_wav())
    address = f"/v1/takes/{waiting['id']}/charts/decay"
    assert_problem(service.client.get(address), 409, "not-measured-yet")
    service.work()
    with service.bench.database.write() as connection:
        connection.execute(update(measurements).values(traces=None))
    assert_problem(service.client.get(address), 409, "not-pictured")
    again = service.client.post(f"/v1/takes/{waiting['id']}/measurement", json={})
    assert again.status_code == 202
    service.work()
    assert service.client.get(address).status_code == 200
