"""One job from claim to result. Every way it can end is here; nothing is raised to the one who asked for it.

measured    the document is kept
rejected    Unmeasurable, AudioRefused: about the recording; trying again can't help
handed back OSError, MemoryError, a database or store out of reach: may pass; tried again, up to max_attempts
failed      anything else: a fault of the program, with a reference to the log
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import structlog
from billiard.exceptions import SoftTimeLimitExceeded
from sqlalchemy.exc import DBAPIError

from coilbench_worker import jobs
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.audio.refusal import AudioRefused
from coilbench_worker.jobs import problems
from coilbench_worker.jobs.lease import Lease
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.measure.results import Check, Unmeasurable, check_document, to_document
from coilbench_worker.measure.settings import from_document
from coilbench_worker.measure.take import measure_take
from coilbench_worker.measure.traces import traces_document
from coilbench_worker.metrics import instruments
from coilbench_worker.store.blobs import BlobDamaged
from coilbench_worker.store.states import FAILED, FINAL_STATES, REJECTED
from coilbench_worker.time_limit import TimeLimit
from coilbench_worker.workplace import Workplace

PAUSES_S = (2.0, 5.0, 10.0, 20.0, 30.0)
"""Before each further try to fetch a recording: a store that is away for a minute uses up no attempt."""

Measuring = Callable[[Workplace, jobs.Claim], dict[str, Any]]

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Outcome:
    """How it ended: the word for it, whether the claim still held, and the problem, if it ended with one."""

    word: str
    counted: bool
    problem: Mapping[str, Any] | None = None


def measure_job(place: Workplace, job_id: str, worker: str, measuring: Measuring | None = None) -> str:
    """Claim the job, measure its recording and keep what came of it; returns a word for the log.

    Parameters
    ----------
    worker : name of the worker and number of the process, `NAME/PID`
    measuring : from a claim to the document; `measure_recording` unless told otherwise
    """
    configuration = place.configuration
    held = jobs.claim(
        place.database, job_id, worker, lease_s=configuration.lease_s, max_attempts=configuration.max_attempts
    )
    if held is None:
        log.debug("nothing to claim", job=job_id)
        return "not-claimed"
    named = {"request_id": held.request_id, "take": held.take_id, "job": job_id, "attempt": held.attempt}
    with structlog.contextvars.bound_contextvars(worker=worker, **named):
        log.info("measuring")
        _count_begin(held)
        with Lease(place.database, held, configuration.lease_s):
            outcome = _end(place, held, measuring or measure_recording)
        _count_end(outcome)
        log.info("done", outcome=outcome.word, counted=outcome.counted)
    return outcome.word


def measure_recording(place: Workplace, held: jobs.Claim) -> dict[str, Any]:
    """The measurement of the claimed recording as the document of the API, and its `traces`.

    Raises
    ------
    Unmeasurable, AudioRefused : about the recording
    OSError : the recording can't be reached now
    """
    settings = from_document(held.settings)
    stage = instruments().stage
    with ExitStack() as stack:
        with stage.labels("fetch").time():
            path = stack.enter_context(place.blobs.local_path(held.blob, held.bytes, PAUSES_S))
        with stage.labels("measure").time():
            recording = stack.enter_context(open_recording(path, place.limits))
            measured = measure_take(recording, recording.facts, settings)
            return {**to_document(measured), "traces": traces_document(measured.traces)}


def _end(place: Workplace, held: jobs.Claim, measuring: Measuring) -> Outcome:
    """Measure and write down the outcome."""
    database = place.database
    try:
        with TimeLimit() as limit:
            document = _within(limit, measuring, place, held)
        with instruments().stage.labels("write").time():
            return Outcome("measured", jobs.finish(database, held, document))
    except Unmeasurable as error:
        return _rejected(place, held, unmeasurable(error.checks))
    except AudioRefused as error:
        return _rejected(place, held, refused(error))
    except SoftTimeLimitExceeded:
        limit_s = place.configuration.soft_limit_s
        log.error("measuring took too long", limit_s=limit_s)
        return _failed(place, held, problems.took_too_long(held.job_id, limit_s))
    except (OSError, MemoryError, DBAPIError) as error:
        log.warning("a fault that may pass", error=f"{type(error).__name__}: {error}", exc_info=True)
        if isinstance(error, OSError):
            instruments().store_errors.labels("recordings").inc()
        if held.tries >= place.configuration.max_attempts:
            return _failed(place, held, _given_up(place, held, error))
        return Outcome("handed-back", jobs.hand_back(database, held))
    except Exception:
        log.exception("the program failed on this recording")
        return _failed(place, held, problems.measuring_failed(held.job_id, held.attempt))


def _rejected(place: Workplace, held: jobs.Claim, problem: dict[str, Any]) -> Outcome:
    return Outcome(REJECTED, jobs.reject(place.database, held, problem), problem)


def _failed(place: Workplace, held: jobs.Claim, problem: dict[str, Any]) -> Outcome:
    return Outcome(FAILED, jobs.fail(place.database, held, problem), problem)


def _count_begin(held: jobs.Claim) -> None:
    if held.attempt == 1:
        instruments().stage.labels("queue").observe(held.waited_s)
    else:
        instruments().repeats.inc()


def _count_end(outcome: Outcome) -> None:
    if outcome.counted and outcome.word in FINAL_STATES:
        instruments().ended_as(outcome.word, outcome.problem)


def _given_up(place: Workplace, held: jobs.Claim, error: Exception) -> dict[str, Any]:
    if isinstance(error, MemoryError):
        return problems.memory_used_up(held.job_id, held.tries, place.configuration.measure_memory_mib)
    if isinstance(error, FileNotFoundError | BlobDamaged):
        return problems.recording_lost(held.job_id, held.tries)
    return problems.given_up(held.job_id, held.tries)


def _within(limit: TimeLimit, measuring: Measuring, place: Workplace, held: jobs.Claim) -> dict[str, Any]:
    """Measure; whatever came of it after the limit's signal is the limit's doing."""
    try:
        return measuring(place, held)
    finally:
        limit.hold()


def unmeasurable(checks: tuple[Check, ...]) -> dict[str, Any]:
    """The problem of a recording that can't be measured; the last check is the reason."""
    reason = checks[-1]
    kind = next(kind for kind in CHECKS if kind.code == reason.code)
    return {
        "type": f"/problems/{reason.code}",
        "title": kind.title,
        "status": 422,
        "detail": reason.message,
        "advice": kind.advice,
        "checks": [check_document(check) for check in checks],
    }


def refused(error: AudioRefused) -> dict[str, Any]:
    """The problem of a file that is no recording that can be measured."""
    return {
        "type": f"/problems/{error.code}",
        "title": error.code.replace("-", " ").capitalize(),
        "status": 422,
        "detail": error.detail,
        "advice": error.advice,
        "checks": [],
    }
