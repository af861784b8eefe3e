"""One delivery: sent to where its call-back says, and what came of it noted.

Every try has the same `webhook-id`: who got one twice can tell. Tries are at least one, and a sender that dies between
the answer and the note makes them two.
"""

from __future__ import annotations

import json
import ssl
import time

import structlog

from coilbench_worker.callbacks import schedule
from coilbench_worker.callbacks.address import AddressRefused, NotResolved, Resolve, parse, resolve
from coilbench_worker.callbacks.post import Answer, NoAnswer, post
from coilbench_worker.callbacks.reach import Reach
from coilbench_worker.callbacks.signature import sign
from coilbench_worker.metrics import instruments
from coilbench_worker.store import callbacks, clock, deliveries
from coilbench_worker.store.database import Database
from coilbench_worker.store.deliveries import HeldDelivery

LEASE_S = 90.0
"""Longer than a try lasts, the look-up of the name included."""
GONE = 410
LOGGED_CHARACTERS = 200

log = structlog.get_logger(__name__)


class Carrier:
    """Sends what was claimed.

    Parameters
    ----------
    reach : what may be reached besides the public internet
    lookup : in place of the system's resolver
    context : of TLS, in place of the default
    """

    def __init__(
        self,
        database: Database,
        reach: Reach,
        *,
        lookup: Resolve | None = None,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self._database = database
        self._reach = reach
        self._lookup = lookup
        self._context = context

    def claim(self) -> HeldDelivery | None:
        """Take what is to be sent next; None when there is nothing."""
        return deliveries.claim(self._database, lease_s=LEASE_S)

    def carry(self, held: HeldDelivery) -> None:
        """Send it, and note what came of that; a claim that no longer holds by then changes nothing."""
        try:
            answer = self._send(held)
        except (AddressRefused, NotResolved, NoAnswer) as error:
            self._failed(held, None, str(error), "")
            return
        said = f"Answered {answer.status}."
        if 200 <= answer.status < 300:
            with self._database.write() as connection:
                deliveries.delivered(connection, held, status=answer.status, outcome=said)
            instruments().deliveries.labels("delivered").inc()
            log.info("call-back delivered", callback=held.callback_id, delivery=held.id, status=answer.status)
        elif 300 <= answer.status < 400:
            self._failed(held, answer.status, f"{said} Redirects are not followed.", answer.excerpt)
        else:
            self._failed(held, answer.status, said, answer.excerpt)

    def _send(self, held: HeldDelivery) -> Answer:
        resolved = resolve(parse(held.url), self._reach, self._lookup)
        body = json.dumps(held.body, ensure_ascii=False, separators=(",", ":")).encode()
        timestamp_s = int(time.time())
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "coilbench-callbacks",
            "webhook-id": held.id,
            "webhook-timestamp": str(timestamp_s),
            "webhook-signature": sign(held.secret, held.id, timestamp_s, body),
        }
        return post(resolved, headers, body, context=self._context)

    def _failed(self, held: HeldDelivery, status: int | None, outcome: str, excerpt: str) -> None:
        again_after_s = schedule.pause_s(held.attempt)
        reason = None
        with self._database.write() as connection:
            noted = deliveries.failed(connection, held, status=status, outcome=outcome, again_after_s=again_after_s)
            callback = callbacks.get(connection, held.callback_id) if noted else None
            if callback is not None:
                deliveries.rest(connection, callback.id, schedule.rest_s(callback.failures))
                if status == GONE:
                    reason = "It answered 410: it wants no more call-backs."
                elif schedule.hopeless(callback.failures, callback.failing_since, clock.now(connection)):
                    reason = f"The last {callback.failures} tries failed, for two days and more; the last: {outcome}"
                if reason is not None:
                    callbacks.stop(connection, callback.id, reason)
        instruments().deliveries.labels("given-up" if again_after_s is None else "failed").inc()
        log.warning(
            "call-back not delivered",
            callback=held.callback_id,
            delivery=held.id,
            attempt=held.attempt,
            outcome=outcome,
            answer=excerpt[:LOGGED_CHARACTERS],
            again_after_s=again_after_s,
            stopped=reason,
        )
