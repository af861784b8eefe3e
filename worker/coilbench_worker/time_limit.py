"""The time limit of one take, noticed even where its exception is swallowed.

Celery sends the measuring process a signal, whose handler raises `SoftTimeLimitExceeded` wherever the process happens
to be. Inside a call-back from C (libsndfile reading through Python) that exception is printed and lost, and the caller
sees a file that ends early. So the signal is noted as well, and no outcome counts that came after it.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any, Self

from billiard.exceptions import SoftTimeLimitExceeded


class TimeLimit:
    """Notes the signal of the limit during the block; outside a measuring process there is none to note."""

    def __init__(self) -> None:
        self.passed = False
        self._before: Any = None

    def __enter__(self) -> Self:
        number = getattr(signal, "SIGUSR1", None)
        if number is not None and threading.current_thread() is threading.main_thread():
            self._before = signal.getsignal(number)
            if callable(self._before):
                signal.signal(number, self._note)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if callable(self._before):
            signal.signal(signal.SIGUSR1, self._before)

    def hold(self) -> None:
        """Raise the exception of the limit again, if its signal came.

        Raises
        ------
        SoftTimeLimitExceeded : it came
        """
        if self.passed:
            raise SoftTimeLimitExceeded

    def _note(self, number: int, frame: FrameType | None) -> None:
        self.passed = True
        self._before(number, frame)
