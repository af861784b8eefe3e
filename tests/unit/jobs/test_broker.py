from __future__ import annotations

from pathlib import Path

from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.broker import celery_app, queue_name

REDIS = "redis://127.0.0.1:6379/0"


def test_a_word_is_not_given_to_a_second_worker_while_the_first_may_still_measure() -> None:
    configuration = Configuration(broker_url=REDIS, soft_limit_s=100, hard_limit_s=200)
    settings = celery_app(configuration).conf
    assert (settings.task_soft_time_limit, settings.task_time_limit) == (100, 200)
    assert settings.broker_transport_options["visibility_timeout"] > 200


def test_nothing_is_asked_of_the_broker_but_to_carry_words() -> None:
    settings = celery_app(Configuration(broker_url=REDIS)).conf
    assert settings.result_backend is None
    assert settings.task_ignore_result
    assert settings.task_acks_late
    assert settings.task_reject_on_worker_lost
    assert settings.worker_prefetch_multiplier == 1
    assert settings.broker_connection_max_retries is None


def test_services_in_one_process_have_queues_of_their_own(tmp_path: Path) -> None:
    one, other = Configuration(data=tmp_path / "a"), Configuration(data=tmp_path / "b")
    assert queue_name(one) != queue_name(other)
    assert queue_name(Configuration(broker_url=REDIS)) == "coilbench"
