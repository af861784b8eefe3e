"""Publishing against a real Redis that is there, is gone, or hangs: a request never waits long, nothing is lost."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench_worker import jobs
from coilbench_worker.jobs import dispatch
from coilbench_worker.jobs.dispatch import Dispatcher
from services import RedisServer, free_port
from working import Shop

pytestmark = pytest.mark.xdist_group("redis")


@pytest.fixture
def own_redis() -> Iterator[RedisServer]:
    server = RedisServer()
    server.start()
    yield server
    server.close()


def due(shop: Shop) -> list[str]:
    return jobs.due(shop.database, max_attempts=3, lease_s=30, republish_after_s=60)


def test_a_take_that_could_not_be_announced_is_due_at_once(tmp_path: Path) -> None:
    shop = Shop(tmp_path, broker_url=f"redis://127.0.0.1:{free_port()}/0")
    dispatcher = Dispatcher(shop.configuration, shop.database)
    first, second = shop.receive(2)
    assert first.job_id is not None
    assert second.job_id is not None
    assert not dispatcher.publish(first.job_id)
    assert not dispatcher.publish(second.job_id)
    assert due(shop) == [first.job_id, second.job_id]
    dispatcher.close()
    shop.close()


def test_a_broker_that_hangs_holds_up_one_request_and_not_for_ever(
    tmp_path: Path, own_redis: RedisServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Shop(tmp_path, broker_url=own_redis.url)
    dispatcher = Dispatcher(shop.configuration, shop.database)
    before, during, after = shop.receive(3)
    assert before.job_id
    assert during.job_id
    assert after.job_id
    assert dispatcher.publish(before.job_id)
    own_redis.freeze()
    answers: list[bool] = []
    request = threading.Thread(target=lambda: answers.append(dispatcher.publish(str(during.job_id))), daemon=True)
    request.start()
    request.join(60)
    assert answers == [False], "the publishing thread still hangs"
    assert not dispatcher.publish(after.job_id), "while the broker is known to hang nobody asks it"
    assert due(shop) == [during.job_id, after.job_id]
    own_redis.thaw()
    monkeypatch.setattr(dispatch, "QUIET_AFTER_FAILURE_S", 0.0)
    dispatcher._quiet_until = 0.0
    assert dispatcher.publish(after.job_id)
    dispatcher.close()
    shop.close()


def test_words_that_wait_in_redis_are_counted_and_none_where_it_is_away(tmp_path: Path, own_redis: RedisServer) -> None:
    shop = Shop(tmp_path, broker_url=own_redis.url)
    dispatcher = Dispatcher(shop.configuration, shop.database)
    for take in shop.receive(3):
        assert take.job_id is not None
        assert dispatcher.publish(take.job_id)
    assert dispatcher.words() == 3
    own_redis.kill()
    assert dispatcher.words() == 0
    dispatcher.close()
    shop.close()
