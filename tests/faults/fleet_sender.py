"""Someone who sends takes over HTTP as the contract asks: one key for each, again and again until it is accepted."""

from __future__ import annotations

import itertools
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import requests
from urllib3 import encode_multipart_formdata

from http_recordings import pcm16, strums

CONNECT_WITHIN_S, ANSWER_WITHIN_S = 2.0, 15.0
LONGEST_PAUSE_S = 1.0
MAY_PASS = (409, 429, 503)
"""Answers that the contract asks to be tried again: still being answered, too much, something is away."""
BAD_GATEWAY_S = 0.2
STEP = 2e-4
LONGER_EVERY, LONGER_STRUMS = 5, 8
LONG_STRUMS = 80


@cache
def _strums(count: int) -> np.ndarray:
    return strums(count=count)


def short_take(number: int) -> bytes:
    """A take as WAV bytes, no two alike: one strum, or sometimes more of them, which are longer in hand."""
    return pcm16(_strums(LONGER_STRUMS if number % LONGER_EVERY == 0 else 1) * (1 - number * STEP))


def long_take(number: int) -> bytes:
    """A take that is some seconds in hand."""
    return pcm16(_strums(LONG_STRUMS) * (1 - number * STEP))


@dataclass
class Sender:
    """Sends takes to API processes in turn, and remembers what was accepted.

    Parameters
    ----------
    addresses : of the API processes
    at_once : how many takes are on their way at a time
    pause_s : after each, before the next goes the same way, s
    """

    addresses: Sequence[str]
    at_once: int = 4
    pause_s: float = 0.0
    within_s: float = 240.0
    accepted: dict[str, str] = field(default_factory=dict)
    """Id of the take by its key."""
    answers: Counter[str] = field(default_factory=Counter)
    """How often each status came, or `no answer`."""
    complaints: list[str] = field(default_factory=list)
    """Answers that the contract does not know."""
    _numbers: itertools.count[int] = field(default_factory=itertools.count)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def send(self, count: int, made: Callable[[int], bytes] = short_take) -> None:
        """Send so many takes, made from their numbers, and return when all of them are accepted."""
        numbers = [next(self._numbers) for _ in range(count)]
        with ThreadPoolExecutor(self.at_once) as threads:
            list(threads.map(lambda number: self.send_one(number, made(number)), numbers))

    def begin(self, count: int) -> threading.Thread:
        """Send from a thread of its own; join it."""
        thread = threading.Thread(target=self.send, args=(count,), daemon=True)
        thread.start()
        return thread

    def send_one(self, number: int, content: bytes) -> str:
        """Send one take until it is accepted; its id."""
        key = str(uuid.uuid4())
        body, kind = encode_multipart_formdata({"file": (f"take-{number}.wav", content)})
        end = time.monotonic() + self.within_s
        for attempt in itertools.count():
            take = self._try(f"{self.addresses[(number + attempt) % len(self.addresses)]}/v1/takes", body, kind, key)
            if take is not None:
                time.sleep(self.pause_s)
                return take
            if time.monotonic() > end:
                raise AssertionError(f"take {number} was not accepted within {self.within_s:g} s: {self.answers}")
        raise AssertionError

    def _try(self, address: str, body: bytes, kind: str, key: str) -> str | None:
        headers = {"Content-Type": kind, "Idempotency-Key": key}
        try:
            answer = requests.post(address, data=body, headers=headers, timeout=(CONNECT_WITHIN_S, ANSWER_WITHIN_S))
        except requests.RequestException:
            self._note("no answer")
            time.sleep(BAD_GATEWAY_S)
            return None
        self._note(str(answer.status_code))
        if answer.status_code == 202:
            with self._lock:
                take: str = answer.json()["id"]
                assert self.accepted.setdefault(key, take) == take
                return take
        if answer.status_code not in MAY_PASS or "Retry-After" not in answer.headers:
            with self._lock:
                self.complaints.append(f"{answer.status_code} {dict(answer.headers)} {answer.text:.500}")
        time.sleep(min(float(answer.headers.get("Retry-After", 1)), LONGEST_PAUSE_S))
        return None

    def _note(self, answer: str) -> None:
        with self._lock:
            self.answers[answer] += 1
