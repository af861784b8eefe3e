"""Every page in a real browser: nothing in the console, nothing from elsewhere, nothing against it from axe-core."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page

from browser.shop_bench import Bench
from browser.visitor import DESK, TABLET, Visit

PAGES = {
    "recordings": "/",
    "recordings-of-one-pickup": "/?pickup=harbour-neck",
    "take": "/takes/{good}",
    "take-spoiled": "/takes/{spoiled}",
    "beside": "/takes/beside?take={good}&take={other}&take={spoiled}",
    "beside-nothing": "/takes/beside",
    "pickups": "/pickups",
    "pickups-against": "/pickups?against=true",
    "pickup": "/pickups/harbour-neck",
    "sessions": "/sessions",
    "session": "/sessions/week-14-bench",
    "compare": "/compare",
    "compare-answer": "/compare?baseline=harbour-neck&hand=true",
    "choose": "/choose",
    "choose-answer": "/choose?reference=harbour-neck&word=warm&by.rms_dbfs=3",
    "coil": "/coil?pickup=harbour-neck",
}
"""Name and address of each page; a new page is one line here."""
NARROW = {"width": 320, "height": 640}
"""WCAG 2.2, 1.4.10: a page of 1280 px at four times its size, or a phone; only tables and pictures may scroll."""
LOOKS = {"desk-light": (DESK, "light"), "tablet-dark": (TABLET, "dark")}


@pytest.fixture
def addresses(bench: Bench) -> dict[str, str]:
    """The addresses of the pages, with the takes of this service."""
    ids = {
        "good": bench.take("harbour-neck, take 1")["id"],
        "other": bench.take("mill-bridge, take 1")["id"],
        "spoiled": bench.take("mill-bridge, first try")["id"],
    }
    return {name: address.format(**ids) for name, address in PAGES.items()}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_no_faults_and_axe_has_nothing_against_it(
    visit: Visit, addresses: dict[str, str], name: str
) -> None:
    visitor = visit()
    page = visitor.at(addresses[name])
    for summary in page.locator("details:not([open]) > summary").all():
        if summary.is_visible():
            summary.click()  # what is folded away counts too
    visitor.see_pictures()
    for look, (viewport, colours) in LOOKS.items():
        page.set_viewport_size(viewport)
        page.emulate_media(color_scheme=colours, reduced_motion="reduce")
        visitor.picture(f"{name}-{look}")
        assert visitor.violations() == []
        assert _fits(page)
    page.set_viewport_size(NARROW)
    assert _fits(page)


def _fits(page: Page) -> bool:
    """Whether nothing makes the page scroll sideways."""
    fits: bool = page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    return fits
