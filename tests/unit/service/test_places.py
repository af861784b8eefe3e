"""Places for costly work are bounded, and so is who waits for one."""

from __future__ import annotations

import threading

import pytest

from coilbench_service.places import NoPlace, Places
from services import wait_until


def all_ask(places: Places) -> bool:
    """Whether nobody more may ask."""
    free = places._asking.acquire(blocking=False)
    if free:
        places._asking.release()
    return not free


def test_a_place_that_was_given_back_is_taken_again() -> None:
    places = Places(at_once=1, waiting=0, within_s=0.0)
    for _ in range(3):
        with places.taken():
            pass
    with pytest.raises(ZeroDivisionError), places.taken():
        raise ZeroDivisionError
    with places.taken():
        pass


def test_who_finds_too_many_waiting_is_sent_away_at_once() -> None:
    places = Places(at_once=1, waiting=1, within_s=60.0)
    inside, waited, out = threading.Event(), threading.Event(), threading.Event()

    def work(done: threading.Event) -> None:
        with places.taken():
            done.set()
            out.wait(60)

    threads = [threading.Thread(target=work, args=(event,)) for event in (inside, waited)]
    threads[0].start()
    assert inside.wait(60)
    threads[1].start()
    wait_until(lambda: all_ask(places), "the second stands in the line")
    with pytest.raises(NoPlace), places.taken():
        raise AssertionError("a third got a place")
    assert not waited.is_set()
    out.set()
    assert waited.wait(60)
    for thread in threads:
        thread.join(60)


def test_who_waited_long_enough_is_sent_away() -> None:
    places = Places(at_once=1, waiting=1, within_s=0.01)
    with places.taken(), pytest.raises(NoPlace), places.taken():
        pass
