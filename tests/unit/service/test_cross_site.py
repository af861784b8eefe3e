"""Pages of other sites may look, as any link may, and change nothing."""

from __future__ import annotations

import pytest
from flask import Request
from werkzeug.test import EnvironBuilder

from coilbench_service.cross_site import require_our_page
from coilbench_service.problems import Problem


def _call(method: str, site: str | None) -> Request:
    headers = {} if site is None else {"Sec-Fetch-Site": site}
    return Request(EnvironBuilder(method=method, headers=headers).get_environ())


@pytest.mark.parametrize("method", ["POST", "PATCH", "PUT", "DELETE"])
@pytest.mark.parametrize("site", ["cross-site", "same-site", "Cross-Site"])
def test_what_another_site_sends_changes_nothing(method: str, site: str) -> None:
    with pytest.raises(Problem) as caught:
        require_our_page(_call(method, site))
    assert (caught.value.kind.slug, caught.value.kind.status) == ("foreign-origin", 403)


@pytest.mark.parametrize("method", ["POST", "PATCH", "PUT", "DELETE"])
@pytest.mark.parametrize("site", ["same-origin", "none", None])
def test_our_page_and_programs_may_change_things(method: str, site: str | None) -> None:
    require_our_page(_call(method, site))


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_a_link_from_elsewhere_may_be_followed(method: str) -> None:
    require_our_page(_call(method, "cross-site"))
