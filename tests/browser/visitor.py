"""A person at the page: real Chromium, driven, every fault of a page collected and held against it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Playwright

from http_service import Service
from services import program, wait_until

FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
DESK = {"width": 1280, "height": 900}
TABLET = {"width": 820, "height": 1180}
PICTURES = "COILBENCH_PICTURES"
"""Environment variable: a folder that gets a picture of every page that is looked at."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
NOT_LOADED = "Failed to load resource"


def launched(playwright: Playwright) -> Browser:
    """Debian's Chromium with an empty profile.

    Raises
    ------
    ProgramMissing : Chromium is not on this machine; says what to install
    """
    path = shutil.which("chromium") or program("chromium", "chromium")
    return playwright.chromium.launch(executable_path=path, args=list(FLAGS))


class Visitor:
    """Pages of one browser profile on the service.

    Parameters
    ----------
    service : the service behind the address
    url : where it is served
    """

    def __init__(self, browser: Browser, service: Service, url: str, **options: Any) -> None:
        self.service, self.url = service, url
        self.faults: list[str] = []
        self.expected: list[tuple[int, str]] = []
        settings = {"viewport": DESK, "reduced_motion": "reduce", "accept_downloads": True} | options
        self.context: BrowserContext = browser.new_context(base_url=url, **settings)
        self.context.set_default_timeout(15_000)
        self.context.on("page", self._listen)
        self.page: Page = self.context.new_page()

    def at(self, address: str) -> Page:
        """The page at an address, loaded."""
        self.page.goto(address, wait_until="load")
        return self.page

    def expect_answer(self, status: int, path: str) -> None:
        """An answer that says no is wanted by this test: the browser notes each in its console."""
        self.expected.append((status, path))

    def violations(self) -> list[str]:
        """What axe-core has against the page as it is: WCAG 2.2 AA and best practice, as sentences."""
        found = Axe().run(self.page, options={"runOnly": RULES, "resultTypes": ["violations"]})
        return [
            f"{fault['id']} ({fault['help']}): {node['target']} {node['html'][:200]} {node.get('failureSummary', '')}"
            for fault in found.response["violations"]
            for node in fault["nodes"]
        ]

    def see_pictures(self) -> None:
        """Wait until every picture of the page is there; those further down load when they come into view."""
        for picture in self.page.locator("img").all():
            if picture.is_visible():
                picture.scroll_into_view_if_needed()
        every = "[...document.images].every(one => one.complete || !one.checkVisibility())"
        wait_until(lambda: self.page.evaluate(every), "every picture of the page is there")
        broken = self.page.evaluate(
            "[...document.images].filter(one => one.complete && !one.naturalWidth).map(one => one.src)"
        )
        self.faults += [f"no picture: {address}" for address in broken]

    def picture(self, name: str) -> None:
        """Keep a picture of the whole page, when somebody asked for pictures."""
        folder = os.environ.get(PICTURES)
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)

    def close(self) -> None:
        """Leave; fails with all that went wrong on the pages."""
        self.context.close()
        assert not self.faults, "\n".join(self.faults)

    def _listen(self, page: Page) -> None:
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.faults.append(f"script: {error}"))
        page.on("request", lambda request: self._request(request.url))

    def _console(self, message: ConsoleMessage) -> None:
        if message.type not in ("error", "warning"):
            return
        path = urlsplit(message.location.get("url", "")).path
        if NOT_LOADED in message.text and any(
            str(status) in message.text and path == at for status, at in self.expected
        ):
            return
        self.faults.append(f"console: {message.text} ({path})")

    def _request(self, address: str) -> None:
        parts = urlsplit(address)
        if parts.scheme not in ("blob", "data", "about") and f"{parts.scheme}://{parts.netloc}" != self.url:
            self.faults.append(f"request to another host: {address}")


Visit = Callable[..., Visitor]


@contextmanager
def visiting(browser: Browser, service: Service, url: str) -> Iterator[Visit]:
    """Make visitors; all leave at the end, and what went wrong on any of their pages fails the test."""
    visitors: list[Visitor] = []

    def visit(**options: Any) -> Visitor:
        visitors.append(Visitor(browser, service, url, **options))
        return visitors[-1]

    try:
        yield visit
    finally:
        for visitor in visitors:
            visitor.close()
