"""Comparisons and choices on their pages: asked by keyboard and without scripts, answered as the API answers."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from coilbench_service.writing import figure, said, signed

PAIR = {"baseline": "harbour-neck", "others": ["mill-bridge"]}
ASKED = "/compare?baseline=harbour-neck&other=mill-bridge&session=week-14-bench"


def _compared(bench: Bench, **more: Any) -> dict[str, Any]:
    answer = bench.service.client.post("/v1/comparisons", json={**PAIR, "session": "week-14-bench", **more})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def _tab_to(page: Page, what: str, most: int = 80) -> None:
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", what):
            return
    raise AssertionError(f"{most} times Tab do not lead to {what}")


def test_pickups_are_compared_by_keyboard_alone(visit: Visit, bench: Bench) -> None:
    page = visit().at("/compare")
    _tab_to(page, "select[name=baseline]")
    page.keyboard.type("harb")
    _tab_to(page, "input[name=other][value=mill-bridge]")
    page.keyboard.press("Space")
    _tab_to(page, "button:not([type])")
    page.keyboard.press("Enter")
    expect(page.get_by_role("region", name="What was found")).to_contain_text("mill-bridge against harbour-neck")
    assert "baseline=harbour-neck" in page.url
    assert "other=mill-bridge" in page.url


def test_a_comparison_says_what_the_api_says(visit: Visit, bench: Bench) -> None:
    found = _compared(bench)
    page = visit().at(ASKED)
    table = page.get_by_role("table", name="mill-bridge against harbour-neck")
    decimals = {one["key"]: one["decimals"] for one in found["quantities"]}
    names = {one["key"]: one["name"] for one in found["quantities"]}
    words = {one["key"]: {"higher": one["more"], "lower": one["less"]} for one in found["quantities"]}
    for row in found["results"]:
        shown, digits = table.get_by_role("row", name=names[row["quantity"]], exact=False), decimals[row["quantity"]]
        expect(shown).to_contain_text(words[row["quantity"]].get(row["verdict"], "no difference shown"))
        expect(shown).to_contain_text(signed(row["difference"], digits))
        expect(shown).to_contain_text(f"{signed(row['low'], digits)} to {signed(row['high'], digits)}")
        expect(shown).to_contain_text(figure(row["other_mean"], digits))
    page.get_by_text("Every row as a sentence").click()
    for row in found["results"]:
        expect(page.locator("#in-words")).to_contain_text(said(row["sentence"]))
    expect(page.get_by_role("region", name="Conditions that differ")).to_contain_text("Position of the pickup")
    left = page.get_by_role("region", name="What is left out, and why")
    for one in found["left_out"]:
        expect(left).to_contain_text(one["reason"])
    expect(page.get_by_role("region", name="Method")).to_contain_text(found["method"])


def test_other_quantities_and_another_confidence_are_asked_for_without_scripts(visit: Visit, bench: Bench) -> None:
    found = _compared(bench, quantities=["centroid_hz"], confidence=0.9)
    page = visit(java_script_enabled=False).at("/compare")
    page.get_by_label("Baseline").select_option("harbour-neck")
    page.get_by_label("Session").select_option("week-14-bench")
    page.get_by_label("Confidence").select_option("90 %")
    page.get_by_label("mill-bridge").check()
    page.locator("#quantities > summary").click()
    for one in _compared(bench)["quantities"]:
        page.locator(f"input[name=quantity][value={one['key']}]").uncheck()
    page.get_by_label("Spectral centroid").check()
    page.get_by_label("my own hand").check()
    page.get_by_role("button", name="Compare").click()
    table = page.get_by_role("table", name="mill-bridge against harbour-neck")
    expect(table.locator("tbody").get_by_role("row")).to_have_count(1)
    expect(table).to_contain_text(signed(found["results"][0]["low"], 0))
    expect(table).to_contain_text("90 % interval")
    expect(page.get_by_role("region", name="How far the hand scatters")).to_contain_text("spectral centroid")
    page.get_by_role("link", name="Hear and see the first take of each").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Side by side")
    expect(page.get_by_role("table", name="Level")).to_contain_text("mill-bridge, take 1")


def test_a_comparison_that_can_not_be_made_says_why_and_keeps_the_form(visit: Visit, bench: Bench) -> None:
    visitor = visit()
    visitor.expect_answer(422, "/compare")
    page = visitor.at("/compare?baseline=%3Cb%3Enobody&other=mill-bridge")
    expect(page.locator("main")).to_contain_text("'<b>nobody'")
    expect(page.locator("main")).to_contain_text("the form below offers")
    expect(page.get_by_label("Baseline")).to_have_value("<b>nobody")
    expect(page.get_by_label("mill-bridge")).to_be_checked()
    assert visitor.violations() == []


def test_a_wish_in_words_and_amounts_ranks_as_the_api_ranks(visit: Visit, bench: Bench) -> None:
    page = visit().at("/choose")
    page.get_by_label("Pickup you know").select_option("harbour-neck")
    page.get_by_label("Session").select_option("week-14-bench")
    page.get_by_label("dark less treble").check()
    page.locator("#by-quantity > summary").click()
    page.get_by_label("RMS level, dB").fill("+2,5")
    page.get_by_role("button", name="Choose").click()
    asked = {"reference": "harbour-neck", "wish": {"dark": True, "rms_dbfs": 2.5}, "session": "week-14-bench"}
    found = bench.service.client.post("/v1/choices", json=asked).json
    answer = page.get_by_role("region", name="The answer")
    expect(answer).to_contain_text(found["sentence"])
    expect(answer).to_contain_text("darker (treble)")
    for candidate in found["ranking"]:
        row = page.get_by_role("table", name="Candidates").get_by_role("row", name=candidate["pickup"])
        expect(row).to_contain_text(said(candidate["sentence"]))
        expect(row).to_contain_text(figure(candidate["miss"], 1))
    for sentence in found["advice"]:
        expect(page.get_by_role("region", name="Which way to go electrically")).to_contain_text(said(sentence))


def test_a_wish_that_can_not_be_read_is_said_beside_its_field(visit: Visit, bench: Bench) -> None:
    visitor = visit()
    visitor.expect_answer(422, "/choose")
    page = visitor.at("/choose?reference=harbour-neck&by.treble_db=lots")
    field = page.get_by_label("Treble, dB")
    expect(field).to_have_value("lots")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#by-treble_db-fault")).to_contain_text("more, less, same")
    page.goto("/choose?reference=harbour-neck&word=bright&word=dark")
    expect(page.locator("main")).to_contain_text("less treble_db")
    expect(page.get_by_label("bright more treble")).to_be_checked()
    assert visitor.violations() == []
