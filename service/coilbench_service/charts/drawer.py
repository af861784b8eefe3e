"""The process that draws charts, as the rest of the program sees it: started when first asked, one chart at a time.

The renderer keeps Python's lock while it draws and its memory afterwards, and a process that has drawn must not fork.
In a process of its own none of that matters to the one that answers requests.
"""

from __future__ import annotations

import atexit
import json
import os
import subprocess
import threading
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Literal

from coilbench_service.charts.drawer_child import DRAWN, framed, read
from coilbench_worker.child import child_environment, child_program

Form = Literal["svg", "png", "pdf"]
CHILD = child_program("coilbench_service.charts.drawer_child")
LIMIT_S = 60.0
"""Of one drawing; the largest take less than two seconds of processor time."""
WAIT_S = 60.0
MOST_ASKING = 12
"""Drawn and waiting: those who answer requests must not all stand here."""
END_S = 5.0
MOST_DRAWINGS = 500
"""Then another process goes on, as the memory of one grows."""


class DrawingFailed(Exception):
    """A chart was not drawn; the message says why."""


class DrawingBusy(DrawingFailed):
    """Others were drawn all the time."""


class Drawer:
    """A process that draws; threads may share it.

    Parameters
    ----------
    program : the child
    limit_s : how long one drawing may take
    wait_s : how long to wait for others to be drawn
    most : how many may ask at once
    """

    def __init__(
        self,
        program: tuple[str, ...] = CHILD,
        limit_s: float = LIMIT_S,
        wait_s: float = WAIT_S,
        most: int = MOST_ASKING,
    ) -> None:
        self._program, self._limit_s, self._wait_s, self._most = program, limit_s, wait_s, most
        self._places = threading.BoundedSemaphore(most)
        self._turn = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._drawings = 0

    def draw(self, form: Form, document: Mapping[str, Any], scale: float = 1.0) -> bytes:
        """A Vega-Lite document in the form asked for.

        Raises
        ------
        DrawingBusy : too many ask, or others kept the process busy for too long
        DrawingFailed : the document can't be drawn, it took too long, or the process died twice
        """
        request = framed(json.dumps({"form": form, "document": document, "scale": scale}, allow_nan=False).encode())
        if not self._places.acquire(blocking=False):
            raise DrawingBusy(f"{self._most} others are being drawn or wait")
        try:
            answer = self._in_turn(request)
        finally:
            self._places.release()
        if answer is None:
            raise DrawingFailed("the process that draws died")
        drawn, content = answer
        if not drawn:
            raise DrawingFailed(content.decode("utf-8", "replace"))
        return content

    def close(self) -> None:
        """End the process; another is started when something is to be drawn."""
        child, self._child = self._child, None
        if child is None:
            return
        for pipe in (child.stdin, child.stdout):
            try:
                if pipe is not None:
                    pipe.close()
            except OSError:  # what was still to be written has no reader
                pass
        try:
            child.wait(END_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()

    def _in_turn(self, request: bytes) -> tuple[bool, bytes] | None:
        if not self._turn.acquire(timeout=self._wait_s):
            raise DrawingBusy(f"others were being drawn for {self._wait_s:g} s")
        try:
            return self._answer(request) or self._answer(request)  # it may have ended for having had nothing to do
        finally:
            self._turn.release()

    def _answer(self, request: bytes) -> tuple[bool, bytes] | None:
        """Whether it was drawn, and what or why not; None when the process is gone."""
        child = self._running()
        assert child.stdin is not None
        assert child.stdout is not None
        late = threading.Event()

        def stop() -> None:
            late.set()
            child.kill()

        limit = threading.Timer(self._limit_s, stop)
        limit.daemon = True
        limit.start()
        try:
            child.stdin.write(request)
            child.stdin.flush()
            status, content = child.stdout.read(1), read(child.stdout)
        except OSError:
            content = None
        finally:
            limit.cancel()
        if content is None:
            self.close()
            if late.is_set():
                raise DrawingFailed(f"longer than {self._limit_s:g} s")
            return None
        return status == DRAWN, content

    def _running(self) -> subprocess.Popen[bytes]:
        if self._child is None or self._child.poll() is not None or self._drawings >= MOST_DRAWINGS:
            self.close()
            self._child, self._drawings = self._started(), 0
        self._drawings += 1
        return self._child

    def _started(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            self._program,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=child_environment(Path(__file__).resolve().parents[2]),
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )


def drawer() -> Drawer:
    """The one of this process."""
    return _of_process(os.getpid())


@cache
def _of_process(_process: int) -> Drawer:
    """One for each process: a child that was forked must not talk into its parent's pipes."""
    made = Drawer()
    atexit.register(made.close)
    return made
