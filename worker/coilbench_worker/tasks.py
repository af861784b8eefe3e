"""The one task: measure the recording of a job. The work is in `measuring`; here it meets Celery.

Measuring processes are started afresh (spawn), import this module once, and keep one `Workplace` for all their takes.
"""

from __future__ import annotations

import os
from typing import Any

from billiard.process import current_process
from celery import Task, shared_task, signals

from coilbench_worker import logs, metrics
from coilbench_worker.jobs.broker import CONFIGURATION_KEY, NUMBERS_KEY, TASK_NAME
from coilbench_worker.measuring import measure_job
from coilbench_worker.memory_limit import limit_memory
from coilbench_worker.workplace import Workplace

_worker = ""
_places: dict[int, Workplace] = {}


@shared_task(name=TASK_NAME, bind=True, ignore_result=True)  # type: ignore[untyped-decorator]
def measure(self: Task, job_id: str) -> None:
    """Measure the recording of the job, if it is still to be had."""
    measure_job(workplace(self.app), job_id, f"{_worker}/{os.getpid()}")


def workplace(app: Any) -> Workplace:
    """The workplace of this process, made for the first take."""
    pid = os.getpid()
    if pid not in _places:
        _places[pid] = Workplace(app.conf[CONFIGURATION_KEY])
        limit_memory(_places[pid].configuration.measure_memory_mib)
        logs.set_up(_places[pid].configuration.log_level)
        if (numbers := app.conf.get(NUMBERS_KEY)) is not None:
            metrics.count_in_slot(numbers, current_process().index)
    return _places[pid]


@signals.worker_process_init.connect  # type: ignore[untyped-decorator]
def remember_the_worker(sender: str, **_: Any) -> None:
    """Note the name of the worker that this measuring process belongs to."""
    global _worker
    _worker = sender


@signals.setup_logging.connect  # type: ignore[untyped-decorator]
def leave_the_log_alone(**_: Any) -> None:
    """Keep Celery from setting up a log of its own in the measuring processes."""
