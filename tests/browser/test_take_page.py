"""A take's page: its figures are the API's; it is described anew in place, played, measured again, deleted."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from coilbench_service.writing import figure
from http_recordings import strums_wav


@pytest.fixture(scope="module")
def own(bench: Bench) -> dict[str, Any]:
    """A measured take that the tests of this module may change, of a session that states conditions."""
    return bench.service.measured(strums_wav(), "own.wav", {"label": "own", "session": "week-14-bench"})


def _about(page: Page) -> Locator:
    return page.get_by_role("region", name="What it is a recording of")


def _edited(page: Page) -> None:
    page.get_by_role("button", name="Change the description").click()


def test_the_figures_are_those_of_the_measurement(visit: Visit, bench: Bench) -> None:
    take = bench.take("harbour-neck, take 1")
    measurement = bench.service.client.get(take["links"]["measurement"]).json
    page = visit().at(f"/takes/{take['id']}")
    level = page.get_by_role("table", name="Level")
    for strum in measurement["strums"]:
        row = level.locator("tbody").first.get_by_role("row").nth(strum["number"] - 1)
        expect(row).to_contain_text(figure(strum["quantities"]["rms_dbfs"], 1))
    mean = measurement["summary"]["rms_dbfs"]
    expect(level.get_by_role("row", name="Mean").first).to_contain_text(figure(mean["mean"], 1))
    expect(level.get_by_role("row", name="95 % interval")).to_contain_text(
        f"{figure(mean['low'], 1)} to {figure(mean['high'], 1)}"
    )
    checks = page.get_by_role("region", name="What the checks say")
    for check in measurement["checks"]:
        expect(checks).to_contain_text(check["message"].replace("`", ""))


def test_a_description_is_changed_in_place_and_only_what_was_changed_is_sent(
    visit: Visit, bench: Bench, own: dict[str, Any]
) -> None:
    page = visit().at(f"/takes/{own['id']}")
    expect(_about(page)).to_contain_text("1.0 mm (from the session week-14-bench)", use_inner_text=True)
    _edited(page)
    pick = page.get_by_label("Pick", exact=True)
    expect(pick).to_be_empty()  # its own value; the session's is in the hint
    expect(page.locator("#f-pick-hint")).to_contain_text("Left empty: 1.0 mm, from the session.")
    pick.fill("0.7 mm")
    page.get_by_label("Tags").fill("dry, second set")
    page.get_by_label("Notes").fill("window open")
    page.get_by_role("button", name="Save").click()
    expect(_about(page)).to_contain_text("0.7 mm")
    about = bench.service.client.get(own["links"]["self"]).json["about"]
    assert about == own["about"] | {"pick": "0.7 mm", "tags": ["dry", "second set"], "notes": "window open"}
    _edited(page)
    page.get_by_label("Pick", exact=True).fill("")
    page.get_by_role("button", name="Save").click()
    expect(_about(page)).to_contain_text("1.0 mm (from the session week-14-bench)", use_inner_text=True)
    assert "pick" not in bench.service.client.get(own["links"]["self"]).json["about"]


def test_a_value_that_can_not_be_used_is_said_beside_its_field(visit: Visit, bench: Bench, own: dict[str, Any]) -> None:
    visitor = visit()
    visitor.expect_answer(422, own["links"]["self"])
    page = visitor.at(f"/takes/{own['id']}")
    _edited(page)
    page.get_by_label("Battery, V").fill("nine")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#f-battery_v-fault")).to_have_text("nine is not a number")
    page.get_by_label("Battery, V").fill("-9")
    page.get_by_role("button", name="Save").click()
    answer = bench.service.client.patch(own["links"]["self"], json={"about": {"battery_v": -9}}).json
    expect(page.locator("#f-battery_v-fault")).to_have_text(answer["errors"][0]["message"])
    expect(page.get_by_label("Battery, V")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Battery, V")).to_be_focused()
    visitor.picture("take-with-a-fault-desk-light")
    assert visitor.violations() == []
    page.get_by_role("button", name="Leave it as it was").click()
    expect(page.get_by_role("button", name="Change the description")).to_be_focused()


def test_a_change_by_somebody_else_meanwhile_is_not_overwritten(
    visit: Visit, bench: Bench, own: dict[str, Any]
) -> None:
    visitor = visit()
    visitor.expect_answer(412, own["links"]["self"])
    page = visitor.at(f"/takes/{own['id']}")
    page.locator("#about").evaluate("form => form.dataset.ifUnmodified = '2026-01-01T00:00:00Z'")  # an old page
    _edited(page)
    page.get_by_label("Player").fill("somebody")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert").filter(has_text="Somebody changed it")).to_be_visible()
    assert "player" not in bench.service.client.get(own["links"]["self"]).json["about"]


def test_every_strum_can_be_heard_at_one_loudness_and_as_recorded(visit: Visit, bench: Bench) -> None:
    take = bench.take("mill-bridge, take 1")
    page = visit().at(f"/takes/{take['id']}")
    expect(page.get_by_text("Start with the volume all the way down")).to_be_visible()
    seen = []
    for choice in ("all at the same loudness", "as recorded"):
        page.get_by_label(choice).check()
        for player in page.locator("audio").all():
            source = player.get_attribute("src")
            answer = page.request.get(source or "")
            assert (answer.status, answer.headers["content-type"]) == (200, "audio/wav"), source
            seen.append(source)
    assert len(set(seen)) == 6
    played = page.evaluate(
        """() => new Promise((done, failed) => {
            const player = document.querySelector("audio");
            player.muted = true;
            player.addEventListener("timeupdate", () => player.currentTime > 0 && done(player.currentTime));
            player.addEventListener("error", () => failed(new Error("can't be played")));
            player.play().catch(failed);
        })"""
    )
    assert played > 0


def test_a_recording_is_downloaded_as_it_was_sent(visit: Visit, own: dict[str, Any]) -> None:
    page = visit().at(f"/takes/{own['id']}")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download the recording").click()
    assert download.value.path().read_bytes() == strums_wav()
    assert download.value.suggested_filename == "own.wav"


def test_a_take_is_measured_again_with_other_windows_and_the_page_follows(
    visit: Visit, bench: Bench, own: dict[str, Any]
) -> None:
    page = visit().at(f"/takes/{own['id']}")
    page.locator("#again > summary").click()
    page.get_by_label("Level, from and to").fill("0, 0.3")
    page.get_by_role("button", name="Measure again").click()
    expect(page.get_by_text("waits to be measured")).to_be_visible()
    bench.service.work()
    expect(page.get_by_role("table", name="Level")).to_be_visible()  # no loading anew
    page.locator("#again > summary").click()
    expect(page.get_by_label("Level, from and to")).to_have_value("0.0, 0.3")


def test_a_take_that_failed_here_is_measured_again(visit: Visit, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a bug")

    with monkeypatch.context() as patch:
        patch.setattr("coilbench_worker.measuring.measure_take", broken)
        take = bench.service.measured(strums_wav(), "failed.wav")
    page = visit().at(f"/takes/{take['id']}")
    expect(page.get_by_text(take["problem"]["detail"])).to_be_visible()
    page.get_by_role("button", name="Measure again").click()
    expect(page.get_by_text("waits to be measured")).to_be_visible()
    bench.service.work()
    expect(page.get_by_role("table", name="Level")).to_be_visible()


def test_a_take_is_deleted_after_a_question_and_not_without_its_answer(visit: Visit, bench: Bench) -> None:
    take = bench.service.measured(strums_wav(), "to delete.wav")
    visitor = visit()
    page = visitor.at(f"/takes/{take['id']}")
    page.get_by_role("button", name="Delete").click()
    expect(page.get_by_role("dialog")).to_contain_text("do not come back")
    assert visitor.violations() == []
    page.get_by_role("button", name="No, keep it").click()
    expect(page.get_by_role("dialog")).to_be_hidden()
    assert bench.service.client.get(take["links"]["self"]).status_code == 200
    page.get_by_role("button", name="Delete").click()
    page.get_by_role("button", name="Yes, delete it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Recordings")
    assert bench.service.client.get(take["links"]["self"]).status_code == 404
