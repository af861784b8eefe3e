"""Addresses carry passwords, headers keys; what is shown to people or written to the log has stars in their place."""

from __future__ import annotations

import re

STARS = "***"
_IN_AN_ADDRESS = re.compile(r"(?<=://)([^:/@\s]*):\S*@")
_ALONE = re.compile(r"(?<=://)([^:/@]*):.*@", re.DOTALL)
_IN_A_QUERY = re.compile(r"([?&](?:password|passwd|pwd|secret|token|key|access_token)=)[^&#\s\"']*", re.IGNORECASE)
_ACCESS_KEY = re.compile(r"(?<![A-Za-z0-9])(coil_[0-9a-f]{16}_)[A-Za-z0-9_-]+")
_IN_A_HEADER = re.compile(r"\b(Bearer +)(?!coil_)[A-Za-z0-9._~+/=-]{16,}", re.IGNORECASE)


def masked(text: str) -> str:
    """A text with the password of every address, and the secret of every access key, replaced by stars.

    Whatever stands between the user's name and the last @ of a word counts: a password with a slash or an @ in it is
    written wrongly, and a password all the same.
    """
    text = _IN_A_HEADER.sub(rf"\1{STARS}", _ACCESS_KEY.sub(rf"\1{STARS}", text))
    return _IN_A_QUERY.sub(rf"\1{STARS}", _IN_AN_ADDRESS.sub(rf"\1:{STARS}@", text))


def masked_address(address: str) -> str:
    """The same of a text that is one address as a whole, where a password may even have spaces."""
    return masked(_ALONE.sub(rf"\1:{STARS}@", address))
