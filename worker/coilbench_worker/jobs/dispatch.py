"""Telling the workers that a job waits: best effort, after the commit. What gets lost here is found by re-dispatch."""

from __future__ import annotations

import threading
import time

import structlog
from celery import Celery
from kombu.exceptions import OperationalError
from redis.exceptions import RedisError
from sqlalchemy import update

from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.broker import TASK_NAME, celery_app
from coilbench_worker.metrics import instruments
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs

# After a broker that did not answer, requests don't wait for it again for so long; the re-dispatcher does the work.
QUIET_AFTER_FAILURE_S = 5.0

log = structlog.get_logger(__name__)


class Dispatcher:
    """Publishes jobs to the broker of `configuration`; thread-safe; one for each process."""

    def __init__(self, configuration: Configuration, database: Database, app: Celery | None = None) -> None:
        self._app = app or celery_app(configuration)
        self._embedded = configuration.embedded
        self._database = database
        self._quiet_until = 0.0
        self._lock = threading.Lock()

    def publish(self, job_id: str) -> bool:
        """Tell the workers of the job; False when the broker can't be reached, which is not an error.

        The job was entered as published; when that did not come true the note is taken back, so that the next
        re-dispatch finds it.
        """
        if self.send(job_id):
            return True
        self.unpublished(job_id)
        return False

    def unpublished(self, job_id: str) -> None:
        """Take back the note that the job was published, so that the next re-dispatch finds it."""
        with self._database.write() as connection:
            connection.execute(update(jobs).where(jobs.c.id == job_id).values(published=None))

    def send(self, job_id: str) -> bool:
        """Tell the workers of the job, whatever is noted."""
        with self._lock:
            if time.monotonic() < self._quiet_until:
                return False
        try:
            self._app.send_task(TASK_NAME, args=[job_id], retry=False)
        except (OperationalError, OSError) as error:
            with self._lock:
                self._quiet_until = time.monotonic() + QUIET_AFTER_FAILURE_S
            instruments().broker_errors.inc()
            log.warning("the broker does not answer; the job waits for re-dispatch", job=job_id, error=str(error))
            return False
        return True

    def words(self) -> int:
        """How many words wait in Redis to be heard; 0 where that can't be known."""
        if self._embedded:
            return 0
        try:
            with self._app.connection_or_acquire() as connection:
                return int(connection.default_channel.client.llen(self._app.conf.task_default_queue))
        except (OperationalError, RedisError, OSError):
            return 0

    def close(self) -> None:
        """Close the connections to the broker."""
        self._app.close()
