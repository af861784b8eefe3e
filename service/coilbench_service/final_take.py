"""A take as an answer, held until it is final when the caller prefers to wait."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Response
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.inheritance import Inheritance
from coilbench_service.problems import Problem
from coilbench_service.take_view import take_path, take_view
from coilbench_service.waiting import wait_asked
from coilbench_worker.store import takes
from coilbench_worker.store.states import FINAL_STATES
from coilbench_worker.store.takes import TakeRecord

_ENDS = (*FINAL_STATES, None)


def existing(bench: Bench, take_id: str) -> TakeRecord:
    """The take.

    Raises
    ------
    Problem : take-not-found
    """
    with bench.database.read() as connection:
        take = takes.get(connection, take_id)
    if take is None:
        raise take_not_found(take_id)
    return take


def existing_view(bench: Bench, take_id: str) -> dict[str, Any]:
    """The take as JSON values, with the description that holds for it.

    Raises
    ------
    Problem : take-not-found
    """
    with bench.database.read() as connection:
        take = takes.get(connection, take_id)
        if take is None:
            raise take_not_found(take_id)
        return view_of(connection, take)


def view_of(connection: Connection, take: TakeRecord) -> dict[str, Any]:
    """One take as JSON values, with the description that holds for it."""
    return take_view(take, Inheritance(connection, [take.about]).of(take.about))


def take_not_found(take_id: str) -> Problem:
    """The problem for an id that no take has."""
    return Problem(kinds.TAKE_NOT_FOUND, f"There is no such take: {take_id!r:.100}.")


def wait_until_final(bench: Bench, take_id: str, prefer: str | None) -> tuple[TakeRecord, dict[str, str]]:
    """The take, after the wait that was preferred, and the header that says the preference was heeded.

    Raises
    ------
    Problem : take-not-found, also when it is deleted meanwhile
    """
    wait_s = wait_asked(prefer)
    if wait_s is None:
        return existing(bench, take_id), {}
    _, granted = bench.waiters.until(lambda state: state in _ENDS, lambda: _state(bench, take_id), wait_s)
    return existing(bench, take_id), {"Preference-Applied": f"wait={wait_s}"} if granted else {}


def _state(bench: Bench, take_id: str) -> str | None:
    """The state alone, None when the take is gone: what is asked again and again is asked cheaply."""
    with bench.database.read() as connection:
        return takes.state(connection, take_id)


def answer_when_final(
    bench: Bench, seen: Mapping[str, Any], prefer: str | None, *, created: int | None = None
) -> Response:
    """The take as an answer.

    Parameters
    ----------
    seen : the take as it was seen just now, as JSON values
    prefer : the request's Prefer header
    created : the status of an answer that follows an act; it becomes 201 when the take is final, and has a Location
    """
    headers = {"Location": take_path(seen["id"])} if created is not None else {}
    if wait_asked(prefer) is not None and seen["state"] not in FINAL_STATES:
        take, applied = wait_until_final(bench, seen["id"], prefer)
        seen, headers = existing_view(bench, take.id), {**headers, **applied}
    if created is None:
        return json_answer(seen, tagged=seen["state"] in FINAL_STATES, headers=headers)
    final = seen["state"] in FINAL_STATES
    return json_answer(seen, 201 if final and created == 202 else created, headers=headers)
