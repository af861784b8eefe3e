"""`Prefer: wait`: read after RFC 7240, granted to few at a time, ended when the service ends."""

from __future__ import annotations

import threading

import pytest

from coilbench_service.waiting import MAX_WAIT_S, Waiters, wait_asked

DEADLINE_S = 30


@pytest.mark.parametrize(
    ("prefer", "wait_s"),
    [
        ("wait=20", 20),
        ("respond-async, wait=10", 10),  # RFC 7240 section 4.3
        ("Wait = 5 ; foo=bar", 5),
        ('wait="7"', 7),
        ("wait=10, wait=20", 10),  # the first counts, RFC 7240 section 2
        ("wait=0", 0),
        ("wait=100000", MAX_WAIT_S),
        ("wait", None),
        ("wait=soon", None),
        ("wait=-1", None),
        ("wait=1.5", None),
        ("wait=" + "9" * 400, None),
        ("handling=lenient", None),
        ("", None),
        (None, None),
    ],
)
def test_the_preference_is_read(prefer: str | None, wait_s: int | None) -> None:
    assert wait_asked(prefer) == wait_s


def test_looking_goes_on_until_it_is_done() -> None:
    seen = iter([1, 2, 3])
    assert Waiters(1).until(lambda number: number == 3, lambda: next(seen), DEADLINE_S) == (3, True)


def test_the_time_being_up_ends_the_wait_with_what_was_seen_last() -> None:
    assert Waiters(1).until(lambda _: False, lambda: "waiting", 0) == ("waiting", True)


def test_one_too_many_is_answered_at_once() -> None:
    waiters = Waiters(1)
    entered, leave = threading.Event(), threading.Event()

    def look() -> bool:
        entered.set()
        return leave.is_set()

    first = threading.Thread(target=waiters.until, args=(bool, look, DEADLINE_S))
    first.start()
    try:
        assert entered.wait(DEADLINE_S)
        assert waiters.until(bool, lambda: False, DEADLINE_S) == (False, False)
    finally:
        leave.set()
        first.join(DEADLINE_S)
    assert waiters.until(bool, lambda: True, DEADLINE_S) == (True, True)


def test_a_place_is_free_again_after_a_look_that_raised() -> None:
    waiters = Waiters(1)
    with pytest.raises(LookupError):
        waiters.until(bool, lambda: {}["gone"], DEADLINE_S)
    assert waiters.until(bool, lambda: True, DEADLINE_S) == (True, True)


def test_closing_lets_every_waiter_go() -> None:
    waiters = Waiters(1)
    waiters.close()
    assert waiters.until(lambda _: False, lambda: "waiting", DEADLINE_S) == ("waiting", True)
