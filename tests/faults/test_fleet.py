"""One service of many processes, and each of them killed at random moments while takes come: the books are right."""

from __future__ import annotations

import random
import socket
import uuid
from collections.abc import Iterator
from contextlib import suppress
from urllib.parse import urlsplit

import psutil
import pytest
import requests
from urllib3 import encode_multipart_formdata

from faults import chaos
from faults.chaos import Act
from faults.fleet import Fleet
from faults.fleet_ledger import ledger, results_that_counted
from faults.fleet_sender import Sender, long_take, short_take
from services import wait_until

pytestmark = pytest.mark.xdist_group("fleet")
TAKES = 16
MINUTES = 0.02
BETWEEN_S = (0.3, 1.5)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with Fleet(tmp_path_factory.mktemp("fleet"), apis=2, workers=2) as fleet:
        fleet.start()
        yield fleet


@pytest.fixture(scope="module")
def sender(whole: Fleet) -> Sender:
    """One for all tests of the module: the books are those of all takes that ever came."""
    return Sender(whole.addresses)


@pytest.fixture
def fleet(whole: Fleet) -> Fleet:
    whole.mend()
    return whole


def settle(fleet: Fleet, sender: Sender) -> None:
    """Wait until nothing waits, and look at the books."""
    fleet.wait_until_final()
    fleet.mend()
    ledger(fleet, sender).require_clean()


@pytest.mark.parametrize(
    ("seed", "act"),
    [
        (1, chaos.worker_killed),
        (2, chaos.api_killed),
        (3, chaos.redis_killed),
        (4, chaos.postgres_killed),
    ],
)
def test_what_is_killed_at_random_moments_loses_nothing_and_measures_nothing_twice(
    fleet: Fleet, sender: Sender, seed: int, act: Act
) -> None:
    sending = sender.begin(TAKES)
    done = chaos.chaos(fleet, seed, MINUTES, {"it": act}, between_s=BETWEEN_S, enough=lambda: not sending.is_alive())
    if not done:
        act(fleet, random.Random(seed))
    sending.join()
    settle(fleet, sender)


def test_an_upload_that_its_api_process_did_not_live_to_end_is_one_take_when_it_is_sent_again(
    fleet: Fleet, sender: Sender
) -> None:
    first, second = fleet.addresses
    key = str(uuid.uuid4())
    body, kind = encode_multipart_formdata({"file": ("take.wav", short_take(4000))})
    with socket.create_connection(("127.0.0.1", urlsplit(first).port or 0)) as upload:
        head = f"POST /v1/takes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: {kind}\r\nIdempotency-Key: {key}\r\n"
        upload.sendall(f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body[: len(body) // 2])
        fleet.apis[0].kill()
        assert answered(upload) == b""
    answers = [
        requests.post(f"{second}/v1/takes", body, headers={"Content-Type": kind, "Idempotency-Key": key}, timeout=30)
        for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [202, 202]
    assert len({answer.json()["id"] for answer in answers}) == 1
    sender.accepted[key] = answers[0].json()["id"]
    settle(fleet, sender)


def answered(connection: socket.socket) -> bytes:
    """What comes before the connection ends, however it ends."""
    with suppress(ConnectionError):
        return connection.recv(1000)
    return b""


def test_while_the_database_is_away_senders_are_told_to_come_back_and_then_all_goes_on(
    fleet: Fleet, sender: Sender
) -> None:
    assert fleet.postgres is not None
    sender.send(TAKES // 2)
    sender.answers.clear()
    fleet.postgres.stop()
    sending = sender.begin(TAKES)
    wait_until(lambda: sender.answers["503"] >= 2 * sender.at_once, "senders hear that the database is away")
    assert requests.get(f"{fleet.addresses[0]}/healthz", timeout=10).status_code == 200
    assert requests.get(f"{fleet.addresses[0]}/readyz", timeout=30).status_code == 503
    fleet.postgres.start()
    sending.join()
    assert set(sender.answers) == {"202", "503"}
    settle(fleet, sender)


def test_a_worker_that_stood_still_past_its_lease_finds_its_takes_measured_by_others(
    fleet: Fleet, sender: Sender
) -> None:
    sender.send(1, long_take)
    wait_until(lambda: fleet.holder() is not None, "the long take is being measured")
    frozen = fleet.holder()
    assert frozen is not None
    frozen.freeze()
    (other,) = set(fleet.workers) - {frozen}
    of_frozen, of_other = results_that_counted([frozen]), results_that_counted([other])
    sender.send(TAKES)
    fleet.wait_until_final()
    assert results_that_counted([frozen]) == of_frozen
    assert sum(results_that_counted([other]).values()) > sum(of_other.values())
    frozen.thaw()
    wait_until(lambda: '"counted": false' in frozen.said_since_start, "the late result is turned down")
    settle(fleet, sender)


def test_a_word_that_is_said_five_times_to_two_workers_is_measured_once(fleet: Fleet, sender: Sender) -> None:
    sending = sender.begin(TAKES)
    wait_until(lambda: fleet.counts()["waiting"], "takes wait")
    fleet.say_again(5)
    sending.join()
    settle(fleet, sender)


def test_measuring_processes_whose_worker_was_killed_end_by_themselves(fleet: Fleet, sender: Sender) -> None:
    sender.send(TAKES)
    worker = fleet.workers[0]
    orphans = fleet.measuring_processes(worker)
    assert orphans
    worker.kill_alone()
    wait_until(lambda: not any(map(runs, orphans)), "the measuring processes end")
    settle(fleet, sender)


def runs(pid: int) -> bool:
    """Whether there is such a process, and it is not over."""
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_told_to_stop_each_process_ends_cleanly_and_hands_back_what_it_has(fleet: Fleet, sender: Sender) -> None:
    """The last of the module: what was handed back is measured by workers that are started again."""
    sender.send(1, long_take)
    wait_until(lambda: fleet.holder() is not None, "the long take is being measured")
    before = {process.name: len(process.said) for process in fleet.processes}
    assert [worker.stop(within_s=60) for worker in fleet.workers] == [0, 0]
    assert fleet.counts()["measuring"] == 0
    sender.send(TAKES)
    assert [api.stop(within_s=60) for api in fleet.apis] == [0, 0]
    for process in fleet.processes:
        said = process.said[before[process.name] :]
        assert "Traceback" not in said, said[-3000:]
    for process in (fleet.apis[0], fleet.workers[0]):
        process.start()
    fleet.wait_until_ready()
    fleet.wait_until_final()
    ledger(fleet, sender).require_clean()


def test_the_books_would_show_a_take_that_is_not_there(whole: Fleet, sender: Sender) -> None:
    missing = Sender(whole.addresses, accepted=sender.accepted | {"never sent": str(uuid.uuid4())})
    found = ledger(whole, missing)
    assert found.lost == 1
    with pytest.raises(AssertionError, match="lost 1"):
        found.require_clean()
