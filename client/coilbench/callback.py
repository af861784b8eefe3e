"""Call-backs as the service knows them: addresses that are told when takes end, and what was sent to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Callback:
    """An address that is told when takes end.

    Attributes
    ----------
    states : ends of takes that it hears of: measured, rejected, failed
    session : it hears of takes of this session only; None: of all
    stopped : since when nothing is sent any more, RFC 3339, UTC; None: it is told
    reason : why it was stopped
    failures : how many tries failed in a row
    secret : what its messages are signed with, in the answer that made it; None in every other
    document : all of it as the service sent it
    """

    id: str
    url: str
    states: tuple[str, ...]
    session: str | None
    stopped: str | None
    reason: str | None
    failures: int
    secret: str | None = field(repr=False)
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Callback:
        """Read an answer."""
        return cls(
            id=str(document["id"]),
            url=str(document["url"]),
            states=tuple(map(str, document["states"])),
            session=document.get("session"),
            stopped=document.get("stopped"),
            reason=document.get("reason"),
            failures=int(document["failures"]),
            secret=document.get("secret"),
            document=document,
        )


@dataclass(frozen=True)
class Delivery:
    """One message to a call-back.

    Attributes
    ----------
    id : its `webhook-id`, the same on every try
    type : take.measured, take.rejected, take.failed, or callback.test
    take : id of the take that ended; None of a trial
    state : waiting, delivered, or given-up
    due : when it is tried next, RFC 3339, UTC; None: never
    status : HTTP status of the last answer
    outcome : what came of the last try, as a sentence
    document : all of it as the service sent it
    """

    id: str
    type: str
    take: str | None
    state: str
    created: str
    tries: int
    due: str | None
    status: int | None
    outcome: str | None
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Delivery:
        """Read an answer."""
        return cls(
            id=str(document["id"]),
            type=str(document["type"]),
            take=document.get("take"),
            state=str(document["state"]),
            created=str(document["created"]),
            tries=int(document["tries"]),
            due=document.get("due"),
            status=document.get("status"),
            outcome=document.get("outcome"),
            document=document,
        )
