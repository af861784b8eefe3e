"""What pages write: which keys lead to a page of their own."""

from __future__ import annotations

import pytest

from coilbench_service.page.written import has_page


@pytest.mark.parametrize(
    ("key", "there"),
    [("mill-bridge", True), ("a?b#c", True), ("a/b", False), ("..", False), ("a\u2028b", False), ("\u202eleft", False)],
)
def test_only_a_key_that_its_page_takes_leads_there(key: str, there: bool) -> None:
    assert has_page(key) is there
