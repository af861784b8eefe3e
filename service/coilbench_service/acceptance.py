"""A recording arrives: received, looked at, entered in one transaction, announced. What is answered 202 is safe."""

from __future__ import annotations

import errno
import time
from typing import Any

from flask import Request, g

from coilbench_service import about as about_document
from coilbench_service import idempotency, request_log, upload
from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.final_take import view_of
from coilbench_service.idempotency import AnsweredElsewhere
from coilbench_service.inheritance import Inheritance
from coilbench_service.problems import Problem
from coilbench_service.settings_of import settings_of
from coilbench_worker import jobs
from coilbench_worker.audio.header import sniff
from coilbench_worker.metrics import instruments
from coilbench_worker.store import sessions, takes
from coilbench_worker.store.blobs import Incoming
from coilbench_worker.store.idempotency import lookup
from coilbench_worker.store.states import WAITING

RETRY_AFTER_S = 30
PROBLEMS = (
    kinds.BROKEN_MULTIPART,
    kinds.KEY_IN_FLIGHT,
    kinds.TOO_LARGE,
    kinds.NOT_MULTIPART,
    kinds.INVALID_ABOUT,
    kinds.NO_FILE,
    kinds.PART_TWICE,
    kinds.UNKNOWN_PART,
    kinds.KEY_REUSED,
    kinds.TOO_MANY_WAITING,
    kinds.UPLOAD_QUOTA_USED,
    kinds.STORAGE_FULL,
    *kinds.AUDIO_REFUSALS,
)
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT)


def accept(bench: Bench, call: Request, key: str | None) -> tuple[int, dict[str, Any]]:
    """Take in the recording of a multipart request.

    Parameters
    ----------
    call : its body must not have been read
    key : its Idempotency-Key, or None

    Returns
    -------
    tuple : status and the take as JSON values; those of the first time when the key was used before

    Raises
    ------
    Problem, AudioRefused : nothing of the request is kept
    """
    key = idempotency.checked_key(key)
    with bench.keys.hold(key):
        _require_room_in_queue(bench, key)
        try:
            with bench.blobs.incoming() as incoming:
                return _receive(bench, call, key, incoming)
        except OSError as error:
            if error.errno not in _NO_ROOM:
                raise
            raise Problem(kinds.STORAGE_FULL, "The disk or quota that holds recordings is full.") from error


def _receive(bench: Bench, call: Request, key: str | None, incoming: Incoming) -> tuple[int, dict[str, Any]]:
    sent = upload.receive(call, incoming, max_file_bytes=bench.configuration.max_upload_bytes)
    about = about_document.from_part(sent.about) if sent.about is not None else {}
    request_sha256 = idempotency.fingerprint(call, [incoming.sha256, sent.file_name, about])
    while True:
        with bench.database.read() as connection:
            first = idempotency.recall(connection, key, request_sha256)
        if first is not None:
            return first.status, first.body
        sniff(incoming.file, incoming.size, bench.audio_limits)
        incoming.seal()
        try:
            with bench.database.write() as connection:
                sessions.hold(connection, shared=True)
                settings = settings_of(Inheritance(connection, [about]).about(about))
                take = jobs.accept(connection, file=incoming, file_name=sent.file_name, about=about, settings=settings)
                document = view_of(connection, take)
                idempotency.remember(connection, key, request_sha256, 202, document, take_id=document["id"])
        except AnsweredElsewhere:
            continue
        assert take.job_id is not None  # a take that was just accepted has its job
        g.recording_bytes = incoming.size
        request_log.about(take=take.id, job=take.job_id)
        instruments().stage.labels("receive").observe(time.perf_counter() - g.began_s)
        bench.dispatcher.publish(take.job_id)
        return 202, document


def _require_room_in_queue(bench: Bench, key: str | None) -> None:
    """Refuse before the recording is read; a request that was answered before needs no room.

    Whoever is sending already when the queue is full is let in: it may be exceeded by as many as send at once.
    """
    limit = bench.configuration.max_waiting_takes
    with bench.database.read() as connection:
        if key is not None and lookup(connection, key) is not None:
            return
        waiting = takes.count_in(connection, WAITING, limit)
    if waiting >= limit:
        raise Problem(
            kinds.TOO_MANY_WAITING,
            f"As many takes wait as may; the limit is {limit} (COILBENCH_MAX_WAITING_TAKES).",
            headers={"Retry-After": str(RETRY_AFTER_S)},
        )
