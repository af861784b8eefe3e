"""Looks side by side: one that hangs holds up nobody, and is not begun twice."""

from __future__ import annotations

import threading

from coilbench_service.lookout import Lookout
from services import wait_until


def test_each_look_is_made_and_told_by_its_name() -> None:
    barrier = threading.Barrier(2, timeout=30)

    def together(word: str) -> str:
        barrier.wait()
        return word

    lookout: Lookout[str] = Lookout(30.0)
    assert lookout.see({"one": lambda: together("a"), "other": lambda: together("b")}) == {"one": "a", "other": "b"}


def test_what_hangs_is_not_waited_for_and_not_looked_at_a_second_time_until_it_ends() -> None:
    free, begun = threading.Event(), []

    def hangs() -> str:
        begun.append(1)
        free.wait(60)
        return "late"

    lookout: Lookout[str] = Lookout(0.05)
    for _ in range(3):
        assert lookout.see({"well": lambda: "there", "stuck": hangs})["stuck"] is None
    assert len(begun) == 1
    free.set()
    wait_until(lambda: lookout.see({"stuck": hangs})["stuck"] == "late", "the look ends")
    assert lookout.see({"stuck": lambda: "anew"}) == {"stuck": "anew"}
