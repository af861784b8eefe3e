"""One process of a fleet with all that it starts, in a process group of its own: killed, frozen, told to stop."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from services import wait_until

# Below the ports that the system lends to outgoing connections: one of those could sit on a port whose process is down.
PORTS = (20_000, 32_000)


def kept_port() -> int:
    """A port of the loopback address that nobody listens on, and that no outgoing connection takes meanwhile."""
    while True:
        port = random.randrange(*PORTS)
        with socket.socket() as listener:
            try:
                listener.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port


class FleetProcess:
    """A program that is started and ended again and again; what it prints goes to one file.

    Parameters
    ----------
    name : what messages call it
    command : program and arguments
    ready : text that it prints each time it is ready
    """

    def __init__(
        self, name: str, command: Sequence[str], environment: Mapping[str, str], log: Path, ready: str
    ) -> None:
        self.name = name
        self.command = list(command)
        self.environment = dict(environment)
        self.log = log
        self._ready = ready
        self._said_before = 0
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """Number of the process."""
        assert self._process is not None
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether it was started and has not ended."""
        return self._process is not None and self._process.poll() is None

    @property
    def ready(self) -> bool:
        """Whether it runs and has said that it is ready."""
        return self.running and self._ready in self.said_since_start

    @property
    def said(self) -> str:
        """All that it printed, in all its lives."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    @property
    def said_since_start(self) -> str:
        """What it printed since it was last started."""
        return self.said[self._said_before :]

    def start(self) -> None:
        """Start it; `wait_until_ready` waits for it."""
        assert not self.running
        self._said_before = len(self.said)
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self.command, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )

    def wait_until_ready(self, within_s: float = 90.0) -> None:
        """Wait until it says so; fail at once when it ends instead."""

        def ready() -> bool:
            assert self.running, f"{self.name} ended with code {self.ended()}:\n{self.said_since_start[-3000:]}"
            return self.ready

        wait_until(ready, f"{self.name} is ready", within_s)

    def ended(self, within_s: float = 60.0) -> int:
        """Wait for its end; the exit code."""
        assert self._process is not None
        return self._process.wait(timeout=within_s)

    def kill(self) -> None:
        """End it and all that it started at once (SIGKILL)."""
        os.killpg(self.pid, signal.SIGKILL)
        self.ended()

    def kill_alone(self) -> None:
        """End it at once and leave what it started to itself, as a system does that runs out of memory."""
        os.kill(self.pid, signal.SIGKILL)
        self.ended()

    def freeze(self) -> None:
        """Stop it and all that it started in the middle of whatever they do, until `thaw`."""
        os.killpg(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        os.killpg(self.pid, signal.SIGCONT)

    def stop(self, within_s: float = 60.0) -> int:
        """Tell it to stop (SIGTERM) and wait; the exit code."""
        assert self._process is not None
        self._process.terminate()
        return self.ended(within_s)

    def close(self) -> None:
        """End it and all that it started, if any of that still runs."""
        if self._process is not None:
            try:
                os.killpg(self.pid, signal.SIGKILL)
            except ProcessLookupError:
                return
            self.ended()
