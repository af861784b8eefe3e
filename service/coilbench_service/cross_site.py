"""What pages of other sites may not do here, by what the browser itself says of a request.

Browsers send `Sec-Fetch-Site` (W3C Fetch Metadata) with every request to a trustworthy address, and no page can change
it. A link from elsewhere may be followed; what changes something must come from our own page or from a program. That
holds for `same-site` too: another port of this machine is another program.
"""

from __future__ import annotations

from flask import Request

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import Problem

SAFE = ("GET", "HEAD", "OPTIONS")
FOREIGN = ("cross-site", "same-site")


def require_our_page(call: Request, *, any_origin: bool = False) -> None:
    """Turn away a request that would change something and comes from a page that is not ours.

    Parameters
    ----------
    any_origin : the origin was looked at already, and may ask (cors.py)

    Raises
    ------
    Problem : foreign-origin (403)
    """
    site = call.headers.get("Sec-Fetch-Site", "").strip().lower()
    if call.method not in SAFE and site in FOREIGN and not any_origin:
        raise Problem(
            kinds.FOREIGN_ORIGIN, f"The browser says that a page of another site sent this (Sec-Fetch-Site: {site})."
        )
