"""Addresses carry passwords; what is shown to people or written to the log has stars in their place."""

from __future__ import annotations

import re

STARS = "***"
_IN_AN_ADDRESS = re.compile(r"(?<=://)([^:/@\s]*):\S*@")
_ALONE = re.compile(r"(?<=://)([^:/@]*):.*@", re.DOTALL)
_IN_A_QUERY = re.compile(r"([?&](?:password|passwd|pwd|secret|token)=)[^&#\s\"']*", re.IGNORECASE)


def masked(text: str) -> str:
    """A text with the password of every address in it replaced by stars.

    Whatever stands between the user's name and the last @ of a word counts: a password with a slash or an @ in it is
    written wrongly, and a password all the same.
    """
    return _IN_A_QUERY.sub(rf"\1{STARS}", _IN_AN_ADDRESS.sub(rf"\1:{STARS}@", text))


def masked_address(address: str) -> str:
    """The same of a text that is one address as a whole, where a password may even have spaces."""
    return masked(_ALONE.sub(rf"\1:{STARS}@", address))
