"""One browser and one served service for all tests of the page, so they run on one worker of pytest-xdist."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
import soundfile
from playwright.sync_api import Browser, sync_playwright

from browser.visitor import Visit, launched, visiting
from coilbench_worker.model import shop
from coilbench_worker.model.take import render
from http_service import Service
from served import served_service

HERE = Path(__file__).parent
RATE_HZ = 48_000
STRUMS = 3
OF_THE_SHOP = (10, 11, 0, 1, 2)
"""Takes by their place in the session: two of the fourth pickup and its spoiled first try, two of the first pickup."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of the page together."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("browser"))


@dataclass(frozen=True)
class Bench:
    """The served service and the takes that are there from the start; tests that change one send their own."""

    service: Service
    url: str
    takes: list[dict[str, Any]]

    def take(self, label: str) -> dict[str, Any]:
        """The take with this label."""
        return next(take for take in self.takes if take["about"]["label"] == label)


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


def recording(take: shop.ShopTake) -> bytes:
    """The first strums of a take of the shop as a FLAC file."""
    strums = take.take.strums[:STRUMS]
    short = replace(take.take, strums=strums, duration_s=shop.FIRST_ONSET_S + STRUMS * shop.APART_S)
    file = io.BytesIO()
    soundfile.write(file, render(short, RATE_HZ).samples, RATE_HZ, format="FLAC", subtype="PCM_24")
    return file.getvalue()


@pytest.fixture
def visit(browser: Browser, bench: Bench) -> Iterator[Visit]:
    """Makes visitors of the page; `visit(viewport=TABLET, color_scheme="dark")`. Their faults fail the test."""
    with visiting(browser, bench.service, bench.url) as made:
        yield made
