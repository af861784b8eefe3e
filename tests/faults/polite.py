"""Somebody who only wants to work while others attack: asks whether the service lives, lists takes, sends one."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import requests
from urllib3 import encode_multipart_formdata

from faults.target import Target
from http_recordings import pcm16, sine
from services import wait_until

ROUNDS_WITHIN_S = 240.0
RECORDING = pcm16(sine(seconds=0.05))


class Polite:
    """Goes round and round: three requests each time, one after another, each on a connection of its own.

    Attributes
    ----------
    answered : how many requests had the answer they should
    failures : what went wrong with the others
    waited : how many times it was told to send a take again, and did
    sent : ids of takes that were accepted
    """

    def __init__(self, target: Target, told_to_wait: int = 0) -> None:
        self._target = target
        self._told_to_wait = told_to_wait
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work)
        self.answered = 0
        self.rounds = self.waited = 0
        self.failures: list[str] = []
        self.sent: list[str] = []

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def finish(self) -> None:
        """End after the round that is under way."""
        self._over.set()
        self._thread.join()

    def wait(self, rounds: int) -> None:
        """Wait until so many more rounds were gone, begun and ended from now on."""
        until = self.rounds + 1 + rounds
        wait_until(
            lambda: self.failures or self.rounds >= until, f"{rounds} rounds of a polite client", ROUNDS_WITHIN_S
        )
        assert self.failures == []

    def _work(self) -> None:
        while not self._over.is_set():
            self._expect("GET", "/healthz", 200)
            self._expect("GET", "/v1/takes?limit=1", 200)
            body, kind = encode_multipart_formdata({"file": ("polite.wav", RECORDING)})
            answer = self._expect("POST", "/v1/takes", 202, data=body, headers={"Content-Type": kind})
            if answer is not None:
                self.sent.append(answer.json()["id"])
            self.rounds += 1

    def _expect(self, method: str, path: str, status: int, **options: object) -> requests.Response | None:
        try:
            answer = self._target.ask(method, path, **options)
            for _ in range(self._told_to_wait if method == "POST" else 0):
                if answer.status_code not in (429, 503):
                    break
                self.waited += 1
                self._over.wait(int(answer.headers["Retry-After"]))
                answer = self._target.ask(method, path, **options)
        except requests.RequestException as error:
            self.failures.append(f"{method} {path}: {error!r}")
            return None
        if answer.status_code != status:
            self.failures.append(f"{method} {path}: {answer.status_code} {answer.text[:300]}")
            return None
        self.answered += 1
        return answer


@contextmanager
def served_meanwhile(target: Target, name: str, told_to_wait: int = 0) -> Iterator[Polite]:
    """A polite client during the block: none of its requests may be refused, and what it sent is kept once.

    Parameters
    ----------
    told_to_wait : times that a take of its may be told to come again all the same, with Retry-After
    """
    polite = Polite(target, told_to_wait)
    polite.start()
    try:
        yield polite
    finally:
        polite.finish()
        print(
            f"{target.name}, {name}: {polite.answered} polite requests answered, {len(polite.failures)} not, "
            f"{polite.waited} times told to come again"
        )
    assert polite.failures == []
    for id in {polite.sent[0], polite.sent[-1]}:
        assert target.ask("GET", f"/v1/takes/{id}").status_code == 200
