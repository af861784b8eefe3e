"""One browser and one served service for all tests of the page, so they run on one worker of pytest-xdist."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from browser.shop_bench import OF_THE_SHOP, STRUMS, Bench, recording
from browser.visitor import Visit, launched, visiting
from coilbench_worker.model import shop
from served import served_service

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of the page together."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("browser"))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    with sync_playwright() as playwright:
        browser = launched(playwright)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """The served service with a session of the invented shop: five takes of two pickups, with their sheets."""
    with served_service(tmp_path_factory.mktemp("page") / "data") as (service, url):
        client = service.client
        session = {
            "key": shop.SESSION,
            "date": shop.SESSION_DATE,
            "conditions": shop.CONDITIONS | {"expected_strums": STRUMS},
        }
        assert client.post("/v1/sessions", json=session).status_code == 201
        found = shop.takes()
        chosen = [found[place] for place in OF_THE_SHOP]
        for pickup in shop.PICKUPS:
            if pickup.key in {take.about["pickup"] for take in chosen}:
                answer = client.post("/v1/pickups", json=pickup.sheet())
                assert answer.status_code == 201, answer.text
        sent = [service.sent(recording(take), take.file, take.about) for take in chosen]
        service.work()
        takes = [client.get(take["links"]["self"]).json for take in sent]
        yield Bench(service, url, takes)


@pytest.fixture
def visit(browser: Browser, bench: Bench) -> Iterator[Visit]:
    """Makes visitors of the page; `visit(viewport=TABLET, color_scheme="dark")`. Their faults fail the test."""
    with visiting(browser, bench.service, bench.url) as made:
        yield made
