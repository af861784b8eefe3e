"""Recordings go in through the page: files, a folder, by dropping; each with its progress and its answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from http_recordings import strums_wav

HOSTILE = "<img src=x onerror=alert(1)>"


def _file(name: str, content: bytes) -> Any:
    return {"name": name, "mimeType": "audio/wav", "buffer": content}


@pytest.fixture(scope="module")
def good() -> bytes:
    """A short take that can be measured."""
    return strums_wav()


def _choose(page: Page, *files: Any) -> None:
    page.locator("#files").set_input_files(list(files))


def _sent(page: Page, text: str) -> None:
    expect(page.locator("#sending-say")).to_have_text(text)


def test_files_are_sent_and_measured_without_loading_the_page_anew(visit: Visit, bench: Bench, good: bytes) -> None:
    page = visit().at("/")
    page.evaluate("window.stayed = true")
    page.locator("#send-about > summary").click()
    page.get_by_label("Pickup", exact=True).first.fill("ferry-neck")
    _choose(page, _file("ferry 1.wav", good), _file("ferry 2.wav", good))
    _sent(page, "2 of 2 sent, 0 measured")
    row = page.get_by_role("row").filter(has_text="ferry 2.wav")
    expect(row).to_contain_text("Waiting")
    bench.service.work()
    _sent(page, "2 of 2 sent, 2 measured")
    expect(row).to_contain_text("Measured")
    expect(row).to_contain_text("ferry-neck")
    expect(page.locator("#announcements")).to_contain_text("ferry 2.wav is measured")
    assert page.evaluate("window.stayed")


def test_a_folder_is_sent_each_recording_with_its_folder_as_pickup(
    visit: Visit, bench: Bench, good: bytes, tmp_path: Path
) -> None:
    folder = _folder_of(tmp_path, good)
    page = visit().at("/")
    page.locator("#send-about > summary").click()
    page.get_by_label("The folder names the pickup").check()
    page.locator("#folder").set_input_files(folder)
    _sent(page, "2 of 2 sent, 0 measured")
    expect(page.locator("#sending-passed")).to_have_text("Passed over, no sound files: plan/notes.txt")
    bench.service.work()
    _sent(page, "2 of 2 sent, 2 measured")
    takes = bench.service.client.get("/v1/takes?pickup=tarn-neck").json["items"]
    assert [take["file"]["name"] for take in takes] == ["tarn 1.wav"]


def test_a_dropped_folder_is_sent_with_all_folders_in_it(
    visit: Visit, bench: Bench, good: bytes, tmp_path: Path
) -> None:
    folder = _folder_of(tmp_path, good)
    visitor = visit()
    page = visitor.at("/")
    place = page.locator("#drop").bounding_box()
    assert place is not None
    chromium = visitor.context.new_cdp_session(page)
    data = {"items": [], "files": [str(folder)], "dragOperationsMask": 1}
    for step in ("dragEnter", "dragOver", "drop"):
        event = {"type": step, "x": place["x"] + 20, "y": place["y"] + 20, "data": data}
        chromium.send("Input.dispatchDragEvent", event)
    _sent(page, "2 of 2 sent, 0 measured")
    expect(page.locator("#sending-list")).to_contain_text("plan/weir-bridge/weir 1.wav")
    bench.service.work()
    _sent(page, "2 of 2 sent, 2 measured")


def test_a_refused_file_says_why_and_what_to_do_and_the_rest_goes_in(visit: Visit, bench: Bench, good: bytes) -> None:
    visitor = visit()
    visitor.expect_answer(415, "/v1/takes")
    page = visitor.at("/")
    _choose(page, _file("letter.wav", b"Dear all, this is no recording at all."), _file("slate 1.wav", good))
    _sent(page, "1 of 2 sent, 0 measured, 1 refused")
    line = page.locator("#sending-list li").filter(has_text="letter.wav")
    answer = bench.service.send(b"Dear all, this is no recording at all.", "letter.wav").json
    expect(line).to_contain_text(answer["detail"])
    expect(line).to_contain_text(answer["advice"])
    bench.service.work()


def test_a_recording_that_can_not_be_measured_says_why_in_the_list(visit: Visit, bench: Bench) -> None:
    page = visit().at("/")
    _choose(page, _file("silence.wav", strums_wav(count=1, level_dbfs=-300.0)))
    _sent(page, "1 of 1 sent, 0 measured")
    bench.service.work()
    take = bench.service.client.get("/v1/takes?state=rejected").json["items"][-1]
    expect(page.locator("#sending-list li")).to_contain_text(take["problem"]["detail"])
    row = page.get_by_role("row").filter(has_text="silence.wav")
    expect(row).to_contain_text("Can't be measured")
    expect(row).to_contain_text(take["problem"]["advice"])


def test_a_busy_service_is_asked_again_and_the_recording_goes_in_once(visit: Visit, bench: Bench, good: bytes) -> None:
    visitor = visit()
    visitor.expect_answer(503, "/v1/takes")
    page = visitor.at("/")
    answers: list[int] = []

    def busy_once(route: Any) -> None:
        answers.append(1)
        if len(answers) > 1 or route.request.method != "POST":
            route.continue_()
        else:
            route.fulfill(status=503, headers={"Retry-After": "1"}, json={"title": "Busy", "detail": "Wait."})

    page.route("**/v1/takes", busy_once)
    _choose(page, _file("patient.wav", good))
    _sent(page, "1 of 1 sent, 0 measured")
    assert len(answers) == 2
    bench.service.work()


def test_who_may_send_no_more_today_is_told_so_and_not_kept_waiting(visit: Visit, good: bytes) -> None:
    visitor = visit()
    visitor.expect_answer(429, "/v1/takes")
    page = visitor.at("/")
    answers: list[int] = []

    def used_up(route: Any) -> None:
        if route.request.method != "POST":
            route.continue_()
            return
        answers.append(1)
        route.fulfill(status=429, headers={"Retry-After": "7200"}, json={"title": "Used up", "detail": "All in 2.0 h."})

    page.route("**/v1/takes", used_up)
    _choose(page, _file("late.wav", good))
    expect(page.locator("#sending-list li")).to_contain_text("Refused: Used up. All in 2.0 h.")
    expect(page.get_by_role("button", name="Try again")).to_be_visible()
    assert len(answers) == 1


def test_what_could_not_be_sent_can_be_tried_again(visit: Visit, bench: Bench, good: bytes) -> None:
    visitor = visit()
    page = visitor.page
    page.clock.install()
    visitor.at("/")
    page.route("**/v1/takes", lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    _choose(page, _file("stubborn.wav", good))
    again = page.get_by_role("button", name="Try again")
    for _ in range(40):
        page.clock.run_for(5_000)  # past the pauses between tries
        page.evaluate("0")
        if again.is_visible():
            break
    expect(page.locator("#sending-list li")).to_contain_text("The service did not answer")
    visitor.faults.clear()  # the browser notes each broken connection
    page.unroute("**/v1/takes")
    again.click()
    page.clock.run_for(1_000)
    _sent(page, "1 of 1 sent, 0 measured")
    bench.service.work()


def test_a_recording_that_is_here_already_leads_to_the_take_of_it(visit: Visit, bench: Bench) -> None:
    first = bench.service.measured(strums_wav(count=2), "first.wav", {"label": "the first"})
    page = visit().at("/")
    _choose(page, _file("again.wav", strums_wav(count=2)))
    line = page.locator("#sending-list li")
    expect(line).to_contain_text("The same recording is here already: the first")
    bench.service.work()
    expect(line).to_contain_text("Measured")
    line.get_by_role("link", name="the first").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("the first")
    assert page.url.endswith(first["id"])


def test_names_that_look_like_markup_are_shown_as_text(visit: Visit, bench: Bench, good: bytes) -> None:
    visitor = visit()
    page = visitor.at("/")
    page.on("dialog", lambda dialog: visitor.faults.append(f"a script ran: {dialog.message}") or dialog.dismiss())
    _choose(page, _file(f"{HOSTILE}.wav", good))
    _sent(page, "1 of 1 sent, 0 measured")
    expect(page.locator("#sending-list .name")).to_have_text(f"{HOSTILE}.wav")
    bench.service.work()
    row = page.get_by_role("row").filter(has_text=f"{HOSTILE}.wav")
    expect(row).to_contain_text("Measured")
    take = next(one for one in bench.service.client.get("/v1/takes").json["items"] if HOSTILE in one["file"]["name"])
    about = {"about": {"label": f"{HOSTILE}label", "pickup": HOSTILE, "notes": f"</script>{HOSTILE}", HOSTILE: HOSTILE}}
    assert bench.service.client.patch(take["links"]["self"], json=about).status_code == 200
    for address in ("/", f"/takes/{take['id']}", f"/takes/beside?take={take['id']}"):
        visitor.at(address)
        expect(page.locator("main")).to_contain_text(f"{HOSTILE}label")
        assert page.locator("img[src=x]").count() == 0
    assert bench.service.client.delete(take["links"]["self"]).status_code == 204


def _folder_of(tmp_path: Path, good: bytes) -> Path:
    folder = tmp_path / "plan"
    for key, name in (("tarn-neck", "tarn 1.wav"), ("weir-bridge", "weir 1.wav")):
        (folder / key).mkdir(parents=True)
        (folder / key / name).write_bytes(good)
    (folder / "notes.txt").write_text("Strings three days old.")
    return folder
