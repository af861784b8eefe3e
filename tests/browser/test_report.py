"""The report of a session as a file, opened in a browser that has no network."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from browser.shop_bench import Bench
from browser.visitor import DESK, RULES
from coilbench_worker.model import shop

PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def report(bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report as it was handed over."""
    answer = bench.service.client.get(f"/v1/sessions/{shop.SESSION}/report")
    assert answer.status_code == 200, answer.text
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_bytes(answer.data)
    return path


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_report_can_be_read_offline_by_everybody(
    browser: Browser, report: Path, viewport: dict[str, int], tmp_path: Path
) -> None:
    context = browser.new_context(viewport=viewport, offline=True)  # type: ignore[arg-type]
    try:
        page = context.new_page()
        said: list[str] = []
        asked: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(report.as_uri())
        assert said == []
        assert [url for url in asked if not url.startswith("data:")] == [report.as_uri()]
        images = page.locator("img")
        assert images.count() >= 3
        assert page.evaluate("[...document.images].every(one => one.complete && one.naturalWidth > 0)")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        font = page.evaluate("getComputedStyle(document.querySelector('caption')).fontWeight")
        assert font == "700"  # the style holds under the file's own policy
        found = Axe().run(page, options={"runOnly": RULES, "resultTypes": ["violations"]})
        assert [(fault["id"], fault["nodes"][0]["html"][:200]) for fault in found.response["violations"]] == []
    finally:
        context.close()
