"""Other ways to use the pages: by keyboard alone, without scripts, from a page of another site."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from browser.shop_bench import Bench
from browser.visitor import Visit
from http_recordings import strums_wav

ELSEWHERE = "http://localhost:9/"
"""Answered by the test itself; nobody listens there."""


def _tab_to(page: Page, what: str, most: int = 60) -> None:
    """Press Tab until the focus is on what the selector names."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", what):
            return
    raise AssertionError(f"{most} times Tab do not lead to {what}")


def _focus_is_seen(page: Page) -> bool:
    shown: bool = page.evaluate(
        """() => { for (let one = document.activeElement; one; one = one.parentElement) {
            const style = getComputedStyle(one);
            if (parseFloat(style.outlineWidth) >= 2 && style.outlineStyle !== "none") return true;
        } return false; }"""
    )
    return shown


def test_two_takes_are_put_side_by_side_by_keyboard_alone(visit: Visit, bench: Bench) -> None:
    page = visit().at("/?session=week-14-bench&pickup=harbour-neck")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    for _ in range(2):
        _tab_to(page, "input[name=take]")
        assert _focus_is_seen(page)
        page.keyboard.press("Space")
    _tab_to(page, "button:not([type])")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Side by side")
    expect(page.get_by_role("table", name="Level")).to_contain_text("harbour-neck, take 2")


def test_a_recording_is_sent_by_keyboard_alone(visit: Visit, bench: Bench) -> None:
    page = visit().at("/")
    page.on("filechooser", lambda _: None)  # from now on no window is opened, which expect_file_chooser asks for late
    _tab_to(page, "#files")
    assert _focus_is_seen(page)
    with page.expect_file_chooser() as chooser:
        page.keyboard.press("Enter")
    chooser.value.set_files({"name": "by keyboard.wav", "mimeType": "audio/wav", "buffer": strums_wav(count=1)})
    expect(page.locator("#sending-say")).to_have_text("1 of 1 sent, 0 measured")
    _tab_to(page, "#sending-list a")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("by keyboard.wav")
    bench.service.work()
    expect(page.get_by_role("table", name="Level")).to_be_visible()


def test_a_question_is_left_by_escape_and_the_focus_returns(visit: Visit, bench: Bench) -> None:
    page = visit().at(f"/takes/{bench.take('harbour-neck, take 2')['id']}")
    _tab_to(page, "[data-opens]")
    assert _focus_is_seen(page)
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="No, keep it")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_be_hidden()
    expect(page.get_by_role("button", name="Delete")).to_be_focused()


def test_everything_that_is_read_is_there_without_scripts(visit: Visit, bench: Bench) -> None:
    visitor = visit(java_script_enabled=False)
    page = visitor.at("/?pickup=harbour-neck")
    expect(page.get_by_text("Sending, changing and deleting need JavaScript")).to_be_visible()
    expect(page.locator(".needs-script:visible")).to_have_count(0)
    page.get_by_role("link", name="harbour-neck, take 1").click()
    expect(page.get_by_role("table", name="Tone")).to_contain_text("Spectral centroid")
    page.get_by_role("link", name="All recordings").click()
    for box in page.get_by_role("checkbox").all()[:2]:
        box.check()
    page.get_by_role("button", name="side by side").click()
    expect(page.get_by_role("table", name="Sustain")).to_be_visible()


def test_a_form_of_another_site_can_send_nothing(visit: Visit, bench: Bench) -> None:
    visitor, address = visit(), f"{bench.url}/v1/takes"
    page = visitor.page
    form = f"""<form method="post" enctype="multipart/form-data" action="{address}"><button>Win</button></form>"""
    page.route(ELSEWHERE, lambda route: route.fulfill(content_type="text/html", body=form))
    page.goto(ELSEWHERE)
    with page.expect_response(address) as answered:
        page.get_by_role("button").click()
    assert answered.value.status == 403
    assert answered.value.json()["type"] == "/problems/foreign-origin"
    visitor.faults.clear()  # that it went elsewhere, and what was answered there
