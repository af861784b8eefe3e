"""Sheets of pickups and sessions on their pages: made, changed, refused, imported, deleted, handed over."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import openpyxl
import pytest
from playwright.sync_api import Page, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from http_recordings import strums_wav

HOSTILE = """<b id="hostile">'%41&amp;?#ü"""
HOSTILE_NAME = """<script>document.title = "taken"</script>"""
NO_ADDRESS = "<i>/..%2F"
"""A key that no sheet can have, as no address holds it; takes may name it all the same."""


@pytest.fixture
def own(bench: Bench) -> Iterator[dict[str, Any]]:
    """A sheet that the test may do anything with."""
    sheet = {"key": "own-sheet", "name": "Own", "dcr_ohm": 7000, "magnet": "ceramic", "extra": {"winder": "K. O."}}
    made = bench.service.client.post("/v1/pickups", json=sheet)
    assert made.status_code == 201, made.text
    yield made.json
    bench.service.client.delete("/v1/pickups/own-sheet")


def _edited(page: Page) -> None:
    page.get_by_role("button", name="Change the sheet").click()


def test_a_sheet_is_changed_in_place_and_only_what_was_changed_is_sent(
    visit: Visit, bench: Bench, own: dict[str, Any]
) -> None:
    page = visit().at("/pickups/own-sheet")
    sheet = page.get_by_role("region", name="Data sheet")
    expect(sheet).to_contain_text("7000 ohm", use_inner_text=True)
    expect(sheet).to_contain_text("K. O.")
    _edited(page)
    page.get_by_label("Magnet").fill("alnico 5")
    page.get_by_label("Inductance, H").fill("2,4")
    page.get_by_label("DC resistance, ohm").fill("")
    page.get_by_label("Preamp in the housing").select_option("no")
    page.get_by_role("button", name="Save").click()
    expect(sheet).to_contain_text("2.4 H", use_inner_text=True)
    now = bench.service.client.get("/v1/pickups/own-sheet").json
    changed = {"magnet": "alnico 5", "inductance_h": 2.4, "dcr_ohm": None, "active": False}
    assert {name: now[name] for name in changed} == changed
    same = [name for name in own if name not in (*changed, "updated")]
    assert {name: now[name] for name in same} == {name: own[name] for name in same}


def test_fields_of_ones_own_are_changed_taken_out_and_added(visit: Visit, bench: Bench, own: dict[str, Any]) -> None:
    extra = {"winder": "K. O.", "code": "12", "batch": 7.5, "mounts": ["ring", "plate"]}
    assert bench.service.client.patch("/v1/pickups/own-sheet", json={"extra": extra}).status_code == 200
    page = visit().at("/pickups/own-sheet")
    _edited(page)
    expect(page.get_by_label("code")).to_have_value('"12"')  # a text, that it stays one
    page.get_by_label("winder").fill("")
    page.get_by_label("batch").fill("8")
    page.get_by_label("Its value").fill("shop. 3")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#f-own-value-fault")).to_have_text("needs a name beside it")
    page.get_by_label("Name of a new one").fill("made in.at")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("region", name="Data sheet")).to_contain_text("made in.at")
    now = bench.service.client.get("/v1/pickups/own-sheet").json["extra"]
    assert now == {"code": "12", "batch": 8, "mounts": ["ring", "plate"], "made in.at": "shop. 3"}


def test_a_value_that_can_not_be_used_is_said_beside_its_field(visit: Visit, bench: Bench, own: dict[str, Any]) -> None:
    visitor = visit()
    visitor.expect_answer(422, "/v1/pickups/own-sheet")
    page = visitor.at("/pickups/own-sheet")
    _edited(page)
    page.get_by_label("Wire, AWG").fill("442")
    page.get_by_role("button", name="Save").click()
    answer = bench.service.client.patch("/v1/pickups/own-sheet", json={"wire_awg": 442})
    expect(page.locator("#f-wire_awg-fault")).to_have_text(answer.json["errors"][0]["message"])
    expect(page.get_by_label("Wire, AWG")).to_be_focused()
    visitor.picture("pickup-with-a-fault")
    assert visitor.violations() == []
    assert bench.service.client.get("/v1/pickups/own-sheet").json["wire_awg"] is None


def test_a_pickup_is_added_and_a_key_that_is_taken_is_said(visit: Visit, bench: Bench, own: dict[str, Any]) -> None:
    visitor = visit()
    visitor.expect_answer(409, "/v1/pickups")
    page = visitor.at("/pickups")
    page.get_by_label("Key", exact=True).fill("own-sheet")
    page.get_by_role("button", name="Make its sheet").click()
    expect(page.locator("#add-key-fault")).to_have_text("belongs to another pickup")
    page.get_by_label("Key", exact=True).fill("added by hand")
    page.get_by_label("Name", exact=True).fill("Added")
    page.get_by_role("button", name="Make its sheet").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("added by hand")
    assert bench.service.client.get("/v1/pickups/added%20by%20hand").json["name"] == "Added"
    page.get_by_role("button", name="Delete the sheet").click()
    expect(page.get_by_role("dialog")).to_contain_text("recordings stay")
    page.get_by_role("button", name="Yes, delete it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Pickups")
    assert bench.service.client.get("/v1/pickups/added%20by%20hand").status_code == 404


def test_sheets_are_imported_from_csv_and_exported_as_the_api_does(visit: Visit, bench: Bench, tmp_path: Path) -> None:
    table, faulty = tmp_path / "sheets.csv", tmp_path / "faulty.csv"
    table.write_text("key;magnet;dcr_ohm\nimported-1;ceramic;7,5\nimported-2;alnico 3;\n", encoding="utf-8")
    faulty.write_text("key,turns\nimported-1,many\nimported-2,\u00bd\n", encoding="utf-8")
    visitor = visit()
    visitor.expect_answer(422, "/v1/pickups")
    page = visitor.at("/pickups")
    page.get_by_label("Table, in UTF-8").set_input_files(faulty)
    page.get_by_role("button", name="Import").click()
    expect(page.get_by_role("alert").filter(has_text="line 2")).to_contain_text("'many' is not a number")
    page.get_by_label("Table, in UTF-8").set_input_files(table)
    page.get_by_role("button", name="Import").click()
    expect(page.locator("#import-done")).to_contain_text("2 made, 0 changed, 0 as they were.")
    expect(page.get_by_role("alert").filter(has_text="line 2")).to_have_count(0)
    page.get_by_role("link", name="Show them").click()
    expect(page.get_by_role("table", name="Pickups")).to_contain_text("imported-2")
    with page.expect_download() as download:
        page.get_by_role("link", name="as CSV").click()
    assert download.value.suggested_filename == "pickups.csv"
    assert download.value.path().read_bytes() == bench.service.client.get("/v1/pickups?format=csv").data
    for key in ("imported-1", "imported-2"):
        bench.service.client.delete(f"/v1/pickups/{key}")


def test_hostile_keys_and_names_are_shown_as_text_and_lead_where_they_should(visit: Visit, bench: Bench) -> None:
    client = bench.service.client
    assert client.post("/v1/pickups", json={"key": HOSTILE, "name": HOSTILE_NAME}).status_code == 201
    takes = [
        bench.service.sent(strums_wav(count=1), about={"label": HOSTILE_NAME, "pickup": key, "session": HOSTILE})
        for key in (HOSTILE, NO_ADDRESS)
    ]
    page = visit().at("/pickups")
    expect(page.get_by_role("row", name=HOSTILE)).to_contain_text(HOSTILE_NAME)
    page.get_by_role("link", name=HOSTILE, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text(HOSTILE)
    assert page.url == f"{bench.url}/pickups/{quote(HOSTILE, safe='')}"
    expect(page.get_by_role("link", name=HOSTILE_NAME)).to_be_visible()
    assert page.locator("#hostile").count() == 0
    assert "taken" not in page.title()
    _edited(page)
    page.get_by_label("Notes").fill("</textarea><script>1</script>")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("region", name="Data sheet")).to_contain_text("</textarea><script>1</script>")
    page.goto("/sessions")
    page.get_by_role("link", name=HOSTILE, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text(HOSTILE)
    page.get_by_role("button", name="Make a sheet for it").click()
    expect(page.get_by_text("Nothing is said yet.")).to_be_visible()
    assert client.get(f"/v1/sessions/{quote(HOSTILE, safe='')}").status_code == 200
    page.get_by_role("link", name=NO_ADDRESS, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Recordings")
    expect(page.get_by_role("table", name="Recordings")).to_contain_text(NO_ADDRESS)
    for kind in ("pickups", "sessions"):
        assert client.delete(f"/v1/{kind}/{quote(HOSTILE, safe='')}").status_code == 204
    for take in takes:
        assert client.delete(take["links"]["self"]).status_code == 204


def test_conditions_of_a_session_are_changed_and_its_takes_inherit_them(visit: Visit, bench: Bench) -> None:
    client = bench.service.client
    sheet = {"key": "own-session", "conditions": {"pick": "1.0 mm", "player": "K. O."}}
    assert client.post("/v1/sessions", json=sheet).status_code == 201
    take = bench.service.sent(strums_wav(count=1), about={"session": "own-session"})
    page = visit().at("/sessions/own-session")
    _edited(page)
    page.get_by_label("Pick", exact=True).fill("0.7 mm")
    page.get_by_label("Player").fill("")
    page.get_by_label("Date").fill("2026-04-02")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("region", name="The sheet")).to_contain_text("0.7 mm")
    found = client.get("/v1/sessions/own-session").json
    assert (found["date"], found["conditions"]) == ("2026-04-02", {"pick": "0.7 mm"})
    assert client.get(take["links"]["self"]).json["described"]["pick"] == "0.7 mm"
    for path in (take["links"]["self"], "/v1/sessions/own-session"):
        assert client.delete(path).status_code == 204


def test_a_session_hands_over_its_report_and_its_tables(visit: Visit, bench: Bench) -> None:
    page = visit().at("/sessions/week-14-bench")
    with page.expect_download() as report:
        page.get_by_role("link", name="Report as one HTML file").click()
    text = report.value.path().read_text(encoding="utf-8")
    assert report.value.suggested_filename == "week-14-bench.html"
    assert "harbour-neck" in text
    with page.expect_download() as pdf:
        page.get_by_role("link", name="Report as PDF").click()
    assert pdf.value.path().read_bytes().startswith(b"%PDF-")
    with page.expect_download() as table:
        page.get_by_role("link", name="XLSX: Takes").click()
    book = openpyxl.load_workbook(io.BytesIO(table.value.path().read_bytes()))
    cells = [cell for row in book.worksheets[0].iter_rows(values_only=True) for cell in row]
    assert "harbour-neck, take 1" in cells
    with page.expect_download() as lines:
        page.get_by_role("link", name="CSV: Every strum").click()
    rows = bench.service.client.get("/v1/table?session=week-14-bench&per=strum&format=csv").text.splitlines()
    assert lines.value.path().read_text(encoding="utf-8").splitlines() == rows
