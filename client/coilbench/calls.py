"""What all calls of the client share: reading answers, numbers that JSON can carry, a key for what is done once."""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from coilbench.errors import BadDescription, UnreadableAnswer
from coilbench.transport import Transport

Read = TypeVar("Read")
PAGE = "500"
"""Items of a list in one answer: the most that the service gives."""


class Calls:
    """Some calls of a client; whoever inherits has the transport."""

    _transport: Transport

    def _read(self, read: Callable[[Mapping[str, Any]], Read], document: Any, what: str) -> Read:
        try:
            return read(document)
        except (KeyError, TypeError, ValueError, AttributeError) as cause:
            raise UnreadableAnswer(self._transport.url, f"something that is not a {what}") from cause


def finite(values: Mapping[str, Any]) -> dict[str, Any]:
    """The same values; JSON has no nan and no infinity.

    Raises
    ------
    BadDescription : a number that is not finite
    """
    for name, value in values.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise BadDescription(f"{name} must be a number, such as 12.5; found {value}")
    return dict(values)


def done_once() -> dict[str, str]:
    """A key of this call's own: a request that is repeated after a lost connection acts once."""
    return {"Idempotency-Key": uuid.uuid4().hex}
