"""The coil page: sliders move numbers, picture and figures, which are those of the API; the form works by itself."""

from __future__ import annotations

import re
from urllib.parse import parse_qs, urlsplit

from playwright.sync_api import Page, Route, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from coilbench_service.page.coil import sentence

COIL = ("inductance_h", "resistance_ohm", "capacitance_pf")


def _said(bench: Bench, address: str) -> str:
    """What the API says of the coil that an address of picture or page has."""
    given = {name: float(values[0]) for name, values in parse_qs(urlsplit(address).query).items() if name != "pickup"}
    coil = {name: given.pop(name) for name in COIL}
    answer = bench.service.client.post("/v1/coils", json={"coil": coil, "load": given})
    assert answer.status_code == 200, answer.text
    return sentence(answer.json)


def _picture(page: Page) -> str:
    return page.locator("#coil-picture").get_attribute("src") or ""


def test_a_slider_moves_its_number_the_figures_and_the_picture(visit: Visit, bench: Bench) -> None:
    visitor = visit()
    page = visitor.at("/coil")
    status = page.locator("#coil-sentence")
    before, picture = status.inner_text(), _picture(page)
    assert before == _said(bench, picture)
    slider, number = page.get_by_label("Cable, slider"), page.get_by_label("Cable, pF")
    slider.focus()
    for _ in range(3):
        page.keyboard.press("PageUp")
    expect(status).not_to_have_text(before)
    assert float(number.input_value()) > 470
    expect(slider).to_have_attribute("aria-valuetext", f"{number.input_value()} pF")
    expect(page.locator("#coil-picture")).to_have_attribute("src", re.compile(f"cable_pf={number.input_value()}&"))
    assert _picture(page) != picture
    expect(status).to_have_text(_said(bench, _picture(page)))
    expect(page.locator("#announcements")).to_have_text(status.inner_text())
    expect(slider).to_be_focused()
    assert f"cable_pf={number.input_value()}" in page.url
    visitor.see_pictures()
    shown = page.request.get(_picture(page))
    assert (shown.status, shown.headers["content-type"]) == (200, "image/svg+xml; charset=utf-8")
    page.reload()
    expect(status).to_have_text(_said(bench, page.url))


def test_a_number_moves_its_slider_and_what_can_not_be_is_said_beside_it(visit: Visit, bench: Bench) -> None:
    visitor = visit()
    visitor.expect_answer(422, "/coil")
    page = visitor.at("/coil")
    slider, number = page.get_by_label("Inductance, slider"), page.get_by_label("Inductance, H")
    number.fill("20")
    expect(slider).to_have_value("1000")
    expect(page.locator("#coil-sentence")).to_contain_text("Hz")
    number.fill("0")
    fault = page.locator("#coil-inductance_h-fault")
    expect(fault).to_contain_text("greater than 0")
    expect(number).to_have_attribute("aria-invalid", "true")
    assert visitor.violations() == []
    number.fill("much")
    expect(fault).to_have_text("much is not a number")
    number.fill("3")
    expect(fault).to_be_empty()
    expect(number).not_to_have_attribute("aria-invalid", "true")
    expect(page.locator("#coil-sentence")).to_contain_text("Peak of")


def test_an_answer_that_comes_late_does_not_undo_a_newer_one(visit: Visit, bench: Bench) -> None:
    page = visit().at("/coil")
    held: list[Route] = []
    page.route(lambda address: "cable_pf=100&" in address, lambda route: held.append(route))
    page.get_by_label("Cable, pF").fill("100")
    page.wait_for_event("request", lambda request: "cable_pf=100&" in request.url)
    page.get_by_label("Cable, pF").fill("2000")
    expect(page.locator("#coil-picture")).to_have_attribute("src", re.compile("cable_pf=2000"))
    assert held
    expect(page.locator("#coil-sentence")).to_have_text(_said(bench, _picture(page)))


def test_the_sheet_of_a_pickup_is_the_start_and_its_measured_octaves_stand_beside(visit: Visit, bench: Bench) -> None:
    sheet = bench.service.client.get("/v1/pickups/mill-bridge").json
    page = visit().at("/coil")
    page.get_by_label("Start from the sheet of").select_option("mill-bridge")
    page.get_by_role("button", name="Start from it").click()
    expect(page.get_by_label("Inductance, H")).to_have_value(f"{sheet['inductance_h']:g}")
    expect(page.get_by_label("Resistance, ohm")).to_have_value(f"{sheet['dcr_ohm']:g}")
    expect(page.locator("#coil-answer")).to_contain_text("as measured")
    assert "pickup=mill-bridge" in _picture(page)


def test_a_winding_is_worked_out_and_the_form_does_without_scripts(visit: Visit, bench: Bench) -> None:
    wire = {"awg": 43, "turns": 9000, "mean_turn_mm": 142, "temperature_c": 20.0}
    visitor = visit(java_script_enabled=False)
    visitor.expect_answer(422, "/coil")
    page = visitor.at("/coil")
    page.get_by_label("Resistance, ohm").fill("")
    page.locator("#winding > summary").click()
    for label, value in (("Wire, AWG", "43"), ("Turns", "9000"), ("Mean turn, mm", "142")):
        page.get_by_label(label).fill(value)
    page.get_by_role("button", name="Work it out").click()
    found = bench.service.client.post("/v1/coils", json={"wire": wire}).json["wire"]
    expect(page.locator("#coil-figures")).to_contain_text(f"{found['resistance_ohm']:.0f} ohm")
    expect(page.locator("#coil-sentence")).to_contain_text("Peak of")
    visitor.see_pictures()
    page.get_by_label("Turns").fill("")
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator("#wire-turns-fault")).to_contain_text("is missing")
