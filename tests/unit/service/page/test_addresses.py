"""Addresses of pickups and sessions: what fits a page has one, the rest leads to its recordings."""

from __future__ import annotations

import pytest

from coilbench_service.page.addresses import page_of
from coilbench_service.sheet_kind import PICKUP, SESSION


@pytest.mark.parametrize(
    ("key", "address"),
    [
        ("harbour-neck", "/pickups/harbour-neck"),
        ("a b?#%2F", "/pickups/a%20b%3F%23%252F"),
        ("höhe", "/pickups/h%C3%B6he"),
        ("a/b", "/?pickup=a%2Fb"),
        ("..", "/?pickup=.."),
        (" x", "/?pickup=+x"),
    ],
)
def test_a_key_leads_to_its_page_or_to_its_recordings(key: str, address: str) -> None:
    assert page_of(PICKUP, key) == address


def test_sessions_have_pages_of_their_own() -> None:
    assert page_of(SESSION, "week 14") == "/sessions/week%2014"
