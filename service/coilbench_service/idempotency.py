"""`Idempotency-Key` on POST: a request sent again gets the first answer and does nothing twice.

The rules are those of draft-ietf-httpapi-idempotency-key-header-07: same key and same request, same answer; same key
and another request, 422; first request still under way, 409. The answer is kept in the transaction of the act itself,
so a crash leaves either both or neither, and no key stays "in flight" for ever. It goes with its take, chain,
calibration, pickup or session: after a DELETE the key is new again, because the first answer would lead to what is not
there.
"""

from __future__ import annotations

import hashlib
import json
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from flask import Request
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.asker import present
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.store import idempotency
from coilbench_worker.store.database import Database
from coilbench_worker.store.idempotency import Remembered

HEADER = "Idempotency-Key"


class AnsweredElsewhere(Exception):
    """Another process answered under this key between our look and our commit; roll back and look again."""


class KeysInFlight:
    """The keys of the requests that this process is answering now."""

    def __init__(self) -> None:
        self._keys: set[str] = set()
        self._lock = threading.Lock()

    @contextmanager
    def hold(self, key: str | None) -> Iterator[None]:
        """Hold the key during the block; None holds nothing.

        Raises
        ------
        Problem : idempotency-key-in-flight
        """
        if key is None:
            yield
            return
        with self._lock:
            if key in self._keys:
                detail = f"The first request with {HEADER} {_as_sent(key)!r} is still being answered."
                raise Problem(kinds.KEY_IN_FLIGHT, detail, headers={"Retry-After": "1"})
            self._keys.add(key)
        try:
            yield
        finally:
            with self._lock:
                self._keys.discard(key)


def checked_key(key: str | None) -> str | None:
    """The request's key under the name of who asks, or None: what one was told, no other is told again.

    Raises
    ------
    Problem : invalid-request, when it is empty, too long or not printable ASCII
    """
    if key is not None and not re.fullmatch(r"[!-~]{1,200}", key):
        message = "must be 1 to 200 printable ASCII characters without spaces, such as a UUID"
        raise Problem(kinds.INVALID_REQUEST, f"{HEADER} {message}.", errors=[FieldError(HEADER, message)])
    asker = present()
    return key if key is None or asker is None or asker.key_id is None else f"{asker.key_id} {key}"


def _as_sent(key: str) -> str:
    """The key without the name before it; it has no spaces itself."""
    return key.rpartition(" ")[2]


def refuse_key(call: Request) -> None:
    """Take no key where the answer holds a secret, which must not be kept for a second sending.

    Raises
    ------
    Problem : invalid-request, when the request has one
    """
    if HEADER in call.headers:
        message = "is not taken here: the answer holds a secret and can't be kept for a second sending"
        raise Problem(kinds.INVALID_REQUEST, f"{HEADER} {message}.", errors=[FieldError(HEADER, message)])


def fingerprint(call: Request, what: Any) -> str:
    """SHA-256 over method, path and what was asked (JSON values); the multipart boundary is no part of it."""
    text = json.dumps([call.method, call.path, what], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def recall(connection: Connection, key: str | None, request_sha256: str) -> Remembered | None:
    """The answer given before under this key, or None.

    Raises
    ------
    Problem : idempotency-key-reused, when the key belongs to another request
    """
    first = idempotency.lookup(connection, key) if key is not None else None
    if key is not None and first is not None and first.request_sha256 != request_sha256:
        raise Problem(
            kinds.KEY_REUSED,
            f"{HEADER} {_as_sent(key)!r} was first used with another request, {first.created:%Y-%m-%d %H:%M} UTC.",
            errors=[FieldError(HEADER, "was used with another request")],
        )
    return first


def remember(
    connection: Connection,
    key: str | None,
    request_sha256: str,
    status: int,
    answer: Mapping[str, Any],
    *,
    take_id: str | None = None,
    chain_id: str | None = None,
    calibration_id: str | None = None,
    pickup_id: str | None = None,
    session_id: str | None = None,
) -> None:
    """Keep an answer (JSON values) in the transaction of the act, for as long as there is what the id names.

    Raises
    ------
    AnsweredElsewhere : the key has an answer by now
    """
    if key is None:
        return
    about = {"take_id": take_id, "chain_id": chain_id, "calibration_id": calibration_id}
    about |= {"pickup_id": pickup_id, "session_id": session_id}
    if not idempotency.remember(connection, key, request_sha256, status, answer, **about):
        raise AnsweredElsewhere(key)


@dataclass(frozen=True)
class Made:
    """What an act made: the answer, the id of what it is about (nothing: kept as long as answers are), its status."""

    document: dict[str, Any]
    about: dict[str, str] = field(default_factory=dict)
    status: int = 201


def once(
    database: Database, key: str | None, request_sha256: str, act: Callable[[Connection], Made]
) -> tuple[int, dict[str, Any]]:
    """Act in one transaction, or give the answer of the first time; the caller holds the key.

    Returns
    -------
    tuple : status and the answer as JSON values

    Raises
    ------
    Problem : of the key, or of the act
    """
    while True:
        try:
            with database.write() as connection:
                first = recall(connection, key, request_sha256)
                if first is not None:
                    return first.status, first.body
                try:
                    made = act(connection)
                except Problem:
                    # It may clash with its own first sending, which ended in another process since we looked.
                    first = recall(connection, key, request_sha256)
                    if first is not None:
                        return first.status, first.body
                    raise
                remember(connection, key, request_sha256, made.status, made.document, **made.about)
        except AnsweredElsewhere:
            continue
        return made.status, made.document
