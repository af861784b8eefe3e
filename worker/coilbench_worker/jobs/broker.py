"""The Celery app: how the word that a job waits gets to a worker. No result backend: nobody asks it for state."""

from __future__ import annotations

import hashlib
from typing import Any

from celery import Celery

from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs import redis_words

TASK_NAME = "coilbench.measure"
TASK_MODULE = "coilbench_worker.tasks"
CONFIGURATION_KEY = "coilbench_configuration"
NUMBERS_KEY = "coilbench_numbers"
"""The folder where measuring processes count; what is under these two travels to them with the app."""

CONNECT_TIMEOUT_S = 1
ANSWER_TIMEOUT_S = 2
MEMORY_ADDRESS = "memory://localhost/"
MEMORY_POLLING_S = 0.05
LOST_PROCESS_WAIT_S = 1.0
# A process that is started afresh imports for a second, on a busy machine for many. After Celery's 4 s it would be
# killed before it is up (on Redis), and so would the next one, and the next.
START_PROCESS_WITHIN_S = 60.0
# Beyond the hard limit, so that a message is never given to a second worker while the first still measures.
VISIBILITY_MARGIN_S = 60


def celery_app(configuration: Configuration) -> Celery:
    """A Celery app for the broker of `configuration`; workers and publishers use the same."""
    if not configuration.embedded:
        redis_words.install()
    app = Celery("coilbench", set_as_current=False)
    app.conf.update(_settings(configuration))
    return app


def queue_name(configuration: Configuration) -> str:
    """Queue of the jobs. Inside one process each database has its own: several services may live there (tests do)."""
    if not configuration.embedded:
        return "coilbench"
    return f"coilbench-{hashlib.sha256(configuration.database.encode()).hexdigest()[:16]}"


def _settings(configuration: Configuration) -> dict[str, Any]:
    return {
        "broker_url": MEMORY_ADDRESS if configuration.embedded else configuration.broker,
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,
        "broker_transport_options": _transport(configuration),
        "result_backend": None,
        "task_ignore_result": True,
        "task_store_errors_even_if_ignored": False,
        "task_default_queue": queue_name(configuration),
        "task_acks_late": True,
        "task_reject_on_worker_lost": True,
        "task_soft_time_limit": configuration.soft_limit_s,
        "task_time_limit": configuration.hard_limit_s,
        "worker_prefetch_multiplier": 1,
        "worker_concurrency": configuration.workers,
        "worker_max_tasks_per_child": configuration.max_takes_per_process,
        "worker_hijack_root_logger": False,
        "worker_redirect_stdouts": False,
        "worker_enable_remote_control": False,
        "worker_send_task_events": False,
        "worker_pool": "prefork",
        "worker_pool_start_method": "spawn",
        "worker_lost_wait": LOST_PROCESS_WAIT_S,
        "worker_proc_alive_timeout": START_PROCESS_WITHIN_S,
        "task_serializer": "json",
        "accept_content": ["json"],
        "imports": [TASK_MODULE],
        # Travels to the measuring processes, which are started afresh and read no settings of their own.
        CONFIGURATION_KEY: configuration.model_dump(mode="json"),
    }


def _transport(configuration: Configuration) -> dict[str, Any]:
    if configuration.embedded:
        return {"polling_interval": MEMORY_POLLING_S}
    return {
        "visibility_timeout": configuration.hard_limit_s + VISIBILITY_MARGIN_S,
        "unacked_restore_interval": 1,
        "unacked_restore_throttle": 1,
        "socket_timeout": ANSWER_TIMEOUT_S,
        "socket_connect_timeout": CONNECT_TIMEOUT_S,
        "socket_keepalive": True,
        "retry_on_timeout": False,
        # Of publishing only: a broker that is down is told of at once. Workers look for it until it is there.
        "max_retries": 0,
    }
