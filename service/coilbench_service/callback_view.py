"""Call-backs and what was sent to them as the API shows them."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from coilbench_service.json_document import rfc3339
from coilbench_worker.store.callbacks import CallbackRecord
from coilbench_worker.store.deliveries import DeliveryRecord


class CallbackLinks(BaseModel):
    """Where the parts of a call-back are."""

    self: str
    deliveries: str
    test: str


class Callback(BaseModel):
    """An address that is told when takes end."""

    id: str
    url: str
    states: list[str] = Field(description="Ends of takes that it hears of")
    session: str | None = Field(description="It hears of takes of this session only; null: of all")
    created: str = Field(description="RFC 3339, UTC")
    updated: str = Field(description="RFC 3339, UTC")
    stopped: str | None = Field(description="Since when nothing is sent any more, RFC 3339, UTC; null: it is told")
    reason: str | None = Field(description="Why it was stopped")
    failures: int = Field(description="How many tries failed in a row; nought after one that arrived")
    failing_since: str | None = Field(description="When the first of them failed, RFC 3339, UTC")
    links: CallbackLinks


class CallbackWithSecret(Callback):
    """A call-back in the one answer that has its secret."""

    secret: str | None = Field(description="What its messages are signed with: shown when it is made, and never again")


class CallbackPage(BaseModel):
    """One page of call-backs, in the order in which they were made."""

    items: list[Callback]
    next: str | None = Field(description="Cursor of the next page")


class Delivery(BaseModel):
    """One message to a call-back."""

    id: str = Field(description="Its `webhook-id`, the same on every try")
    type: str = Field(description="take.measured, take.rejected, take.failed, or callback.test")
    take: str | None = Field(description="The take that ended; null of a trial")
    state: str = Field(description="waiting, delivered, or given-up")
    created: str = Field(description="RFC 3339, UTC")
    tries: int
    due: str | None = Field(description="When it is tried next, RFC 3339, UTC; null: never")
    ended: str | None = Field(description="When it was delivered or given up, RFC 3339, UTC")
    status: int | None = Field(description="HTTP status of the last answer")
    outcome: str | None = Field(description="What came of the last try, as a sentence")


class DeliveryPage(BaseModel):
    """One page of deliveries, the newest first; those that ended are kept for thirty days."""

    items: list[Delivery]
    next: str | None = Field(description="Cursor of the next page")


def callback_path(callback_id: str) -> str:
    """Address of a call-back."""
    return f"/v1/callbacks/{callback_id}"


def callback_view(record: CallbackRecord) -> dict[str, Any]:
    """The call-back as JSON values, without its secret."""
    path = callback_path(record.id)
    return {
        "id": record.id,
        "url": record.url,
        "states": list(record.states),
        "session": record.session,
        "created": rfc3339(record.created),
        "updated": rfc3339(record.updated),
        "stopped": record.stopped and rfc3339(record.stopped),
        "reason": record.reason,
        "failures": record.failures,
        "failing_since": record.failing_since and rfc3339(record.failing_since),
        "links": {"self": path, "deliveries": f"{path}/deliveries", "test": f"{path}/test"},
    }


def delivery_view(record: DeliveryRecord) -> dict[str, Any]:
    """The delivery as JSON values."""
    arrived = record.status is not None and 200 <= record.status < 300
    return {
        "id": record.id,
        "type": record.body["type"],
        "take": record.take_id,
        "state": "waiting" if record.ended is None else "delivered" if arrived else "given-up",
        "created": rfc3339(record.created),
        "tries": record.attempt,
        "due": record.due and rfc3339(record.due),
        "ended": record.ended and rfc3339(record.ended),
        "status": record.status,
        "outcome": record.outcome,
    }
