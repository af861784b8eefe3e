"""Pictures of takes over HTTP: forms, conditions, takes side by side, and takes that have no picture."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from coilbench_service.charts import drawing
from coilbench_service.charts.drawer import Drawer
from coilbench_service.routes.take_charts import CHARTS
from coilbench_worker.store.schema import measurements
from http_recordings import strums_wav
from http_service import Service, assert_problem
from http_service import service as running_service

LABEL = 'Bench "A" <test> & more'
FIGURE_IN_WORDS = {
    "waveform": r"3 strums found: 1 from 0\.5\d s to 1\.5\d s \(ended by next strum\)",
    "envelopes": r"Strum 3: RMS level .\d+\.\d dBFS",
    "decay": r"strum 1 \d+\.\d dB/s",
    "bands": r"1000 Hz .\d+\.\d",
}
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    with running_service(tmp_path_factory.mktemp("charts")) as made:
        about = {"label": LABEL, "input_gain_db": 11.0}
        yield made, made.measured(strums_wav(), "take.wav", about)["id"]


@pytest.fixture(scope="module")
def louder(measured: tuple[Service, str]) -> str:
    """Another take of the same bench: id."""
    about = {"label": "Louder", "pickup": "quarry-neck", "input_gain_db": 11.0}
    take: str = measured[0].measured(strums_wav(count=2, level_dbfs=-5.0), "louder.wav", about)["id"]
    return take


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
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert LABEL in (root.findtext(f"{SVG}title") or "")
    assert "dB/s" in (root.findtext(f"{SVG}desc") or "")
    assert not [one for one in root.iter() if one.tag in (f"{SVG}script", f"{SVG}image", f"{SVG}foreignObject")]


@pytest.mark.parametrize("form", ["svg", "png", "json"])
@pytest.mark.parametrize("name", CHARTS)
def test_every_picture_is_given_in_every_form(client: FlaskClient, address: str, name: str, form: str) -> None:
    answer = client.get(f"{address.replace('decay', name)}?format={form}")
    assert answer.status_code == 200, answer.text
    if form == "png":
        assert answer.data.startswith(b"\x89PNG\r\n\x1a\n")
        return
    if form == "json":
        assert answer.mimetype == "application/json"
        said, title = answer.json["description"], " ".join(answer.json["title"]["text"])
    else:
        root = ET.fromstring(answer.data)
        said, title = root.findtext(f"{SVG}desc") or "", root.findtext(f"{SVG}title") or ""
    assert re.search(FIGURE_IN_WORDS[name], said), said
    assert LABEL in title


def test_marks_stand_at_the_onsets_of_the_measurement(client: FlaskClient, address: str) -> None:
    strums = client.get(address.replace("charts/decay", "measurement")).json["strums"]
    drawn = client.get(f"{address.replace('decay', 'waveform')}?format=json").json
    rows = drawn["vconcat"][0]["data"]["values"]
    assert [(row["s"], row["end"]) for row in rows] == [(strum["onset_s"], strum["end_s"]) for strum in strums]
    assert len(rows) == 3


@pytest.mark.parametrize("form", ["svg", "png", "json"])
def test_takes_stand_side_by_side_in_the_order_asked_for(
    client: FlaskClient, measured: tuple[Service, str], louder: str, form: str
) -> None:
    answer = client.get(f"/v1/charts/takes?take={louder}&take={measured[1]}&format={form}")
    assert answer.status_code == 200, answer.text
    if form == "png":
        assert answer.data.startswith(b"\x89PNG\r\n\x1a\n")
        return
    said = answer.json["description"] if form == "json" else ET.fromstring(answer.data).findtext(f"{SVG}desc") or ""
    assert "1: Louder, pickup quarry-neck, 2 strums: RMS level" in said
    assert f"2: {LABEL}, 3 strums: RMS level" in said
    assert "Amplitudes as recorded" not in said  # both were recorded at one gain


def test_takes_that_cannot_stand_side_by_side_are_problems(
    client: FlaskClient, measured: tuple[Service, str], louder: str
) -> None:
    mine, address = measured[1], "/v1/charts/takes"
    comma = client.get(f"{address}?take={mine},{louder}&format=json")
    assert comma.status_code == 200
    for asked in ("", f"?take={mine}", f"?take={mine}&take={mine}", "?" + "&".join(f"take=t{n}" for n in range(13))):
        assert_problem(client.get(f"{address}{asked}"), 422, "invalid-request")
    assert_problem(client.get(f"{address}?take={mine}&take=none"), 404, "take-not-found")
    assert_problem(client.get(f"{address}?take={mine}&take={louder}&colour=red"), 422, "invalid-request")


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


def test_chart_that_finds_no_turn_says_when_to_ask_again(
    client: FlaskClient, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawing, "drawer", lambda: Drawer(most=0))
    answer = client.get(address)
    assert_problem(answer, 503, "too-many-charts")
    assert int(answer.headers["Retry-After"]) > 0
