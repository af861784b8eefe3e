"""Problems (RFC 9457) that are the program's own fault; those of a recording come with what found them."""

from __future__ import annotations

from typing import Any


def given_up(job_id: str, attempts: int) -> dict[str, Any]:
    """The measuring process died, or could not reach what it needs, each time it tried."""
    return {
        "type": "/problems/attempts-used-up",
        "title": "Measuring was broken off each time it was tried",
        "status": 500,
        "detail": f"{attempts} attempts ended without a result; the log has them under job {job_id}.",
        "advice": "Look in the worker's log for this job (memory used up, a store out of reach, or a recording that "
        "takes longer than hard_limit_s), mend the cause, then ask for the measurement again.",
        "log_reference": job_id,
    }


def measuring_failed(job_id: str, attempt: int) -> dict[str, Any]:
    """The measuring code broke on this recording."""
    return {
        "type": "/problems/measuring-failed",
        "title": "The program failed on this recording",
        "status": 500,
        "detail": "This is a fault of coilbench, not of the recording; "
        f"the log has it under job {job_id}, attempt {attempt}.",
        "advice": "Keep the recording and report the fault with the lines of the log; other takes are not affected.",
        "log_reference": job_id,
    }


def memory_used_up(job_id: str, attempts: int, limit_mib: int) -> dict[str, Any]:
    """Measuring needed more memory than there was, each time it was tried."""
    return {
        "type": "/problems/memory-used-up",
        "title": "Measuring needed more memory than there is",
        "status": 500,
        "detail": f"{attempts} attempts ended for want of memory; a measuring process may have {limit_mib} MiB "
        f"(measure_memory_mib), less where the machine has less. The log has them under job {job_id}.",
        "advice": "Send a shorter recording, or raise COILBENCH_MEASURE_MEMORY_MIB if the machine has the memory, "
        "and ask for the measurement again.",
        "log_reference": job_id,
    }


def recording_lost(job_id: str, attempts: int) -> dict[str, Any]:
    """The recording was not in the store, or was not what had been put there, each time it was tried."""
    return {
        "type": "/problems/recording-lost",
        "title": "The recording is not in the store any more",
        "status": 500,
        "detail": f"{attempts} attempts found the recording missing or damaged; the log has them under job {job_id}.",
        "advice": "See that COILBENCH_BLOB_URL of every worker names the same store, or bring the store back from a "
        "backup, then ask for the measurement again; or delete the take and send the recording again.",
        "log_reference": job_id,
    }


def took_too_long(job_id: str, limit_s: float) -> dict[str, Any]:
    """Measuring was stopped by the time limit."""
    return {
        "type": "/problems/took-too-long",
        "title": "Measuring took too long",
        "status": 500,
        "detail": f"Measuring was stopped after {limit_s:g} s (soft_limit_s); the log has it under job {job_id}.",
        "advice": "Send a shorter recording, or raise COILBENCH_SOFT_LIMIT_S and COILBENCH_HARD_LIMIT_S and ask for "
        "the measurement again.",
        "log_reference": job_id,
    }
