"""Changes of a take that is there: its description, and the settings it is measured with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from flask import Request
from sqlalchemy import Connection

from coilbench_service import about as about_document
from coilbench_service import idempotency, request_log
from coilbench_service.bench import Bench
from coilbench_service.final_take import take_not_found
from coilbench_service.idempotency import AnsweredElsewhere
from coilbench_service.inheritance import Inheritance
from coilbench_service.settings_of import settings_after, settings_asked
from coilbench_service.take_view import take_view
from coilbench_worker import jobs
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.measure.settings import MeasureSettings, from_document
from coilbench_worker.measure.version import MEASURE_VERSION
from coilbench_worker.store import sessions, takes
from coilbench_worker.store.states import MEASURED, WAITING
from coilbench_worker.store.takes import TakeRecord


def describe(
    bench: Bench, take_id: str, patch: Mapping[str, Any], require: Callable[[TakeRecord], None] = lambda _: None
) -> dict[str, Any]:
    """Apply a merge patch to the description; measure again only when a setting changed by it.

    Another session may bring other settings too.

    Parameters
    ----------
    require : is shown the take as it is, locked, and raises where it must not be changed in this state

    Returns
    -------
    dict : the take as JSON values

    Raises
    ------
    Problem : take-not-found, invalid-about
    """
    with bench.database.write() as connection:
        sessions.hold(connection, shared=True)
        take = _locked(connection, take_id)
        require(take)
        about = about_document.merged(take.about, patch)
        inheritance = Inheritance(connection, [take.about, about])
        settings = settings_after(take.settings, inheritance.about(take.about), inheritance.about(about))
        changed = takes.update_about(connection, take_id, about) or take
        if settings.key() != take.settings_key:
            changed = jobs.request(connection, take_id, settings, version=MEASURE_VERSION)
        shown = take_view(changed, inheritance.of(about))
    _announce(bench, changed, take)
    return shown


def measure_again(
    bench: Bench, call: Request, take_id: str, asked: Mapping[str, Any] | None, key: str | None
) -> tuple[int, dict[str, Any]]:
    """Have the take measured with other settings, or once more with those it has (asked is None).

    Returns
    -------
    tuple : 200 when that measurement is there already, else 202; and the take as JSON values

    Raises
    ------
    Problem : take-not-found, invalid-request, the problems of an Idempotency-Key
    """
    key = idempotency.checked_key(key)
    request_sha256 = idempotency.fingerprint(call, asked)
    with bench.keys.hold(key):
        while True:
            try:
                with bench.database.write() as connection:
                    first = idempotency.recall(connection, key, request_sha256)
                    if first is not None:
                        return first.status, first.body
                    sessions.hold(connection, shared=True)
                    take = _locked(connection, take_id)
                    described = Inheritance(connection, [take.about]).of(take.about)
                    settings = _settings(take, described.about, asked)
                    changed = jobs.request(connection, take_id, settings, version=MEASURE_VERSION)
                    status, document = 200 if changed.state == MEASURED else 202, take_view(changed, described)
                    idempotency.remember(connection, key, request_sha256, status, document, take_id=document["id"])
            except AnsweredElsewhere:
                continue
            _announce(bench, changed, take)
            return status, document


def _settings(take: TakeRecord, about: Mapping[str, Any], asked: Mapping[str, Any] | None) -> MeasureSettings:
    return from_document(take.settings) if asked is None else settings_asked(asked, about)


def _locked(connection: Connection, take_id: str) -> TakeRecord:
    lock_take(connection, take_id)
    take = takes.get(connection, take_id)
    if take is None:
        raise take_not_found(take_id)
    return take


def _announce(bench: Bench, changed: TakeRecord, before: TakeRecord) -> None:
    if changed.state == WAITING and changed.job_id is not None and changed.job_id != before.job_id:
        request_log.about(take=changed.id, job=changed.job_id)
        bench.dispatcher.publish(changed.job_id)
