"""Another host: a network namespace of this machine with a wire to it, which can be cut. Needs root, and Linux."""

from __future__ import annotations

import os
import subprocess
from types import TracebackType
from typing import Self

from faults.fleet import Fleet
from faults.fleet_process import FleetProcess
from services import program

HERE, THERE, PREFIX_LENGTH = "169.254.77.1", "169.254.77.2", 30


class NoNamespaces(Exception):
    """The machine does not allow network namespaces; the message says what it said."""


class FarHost:
    """A host at the end of a wire; use it as a block. One at a time.

    Raises
    ------
    NoNamespaces : as the block begins
    """

    def __init__(self) -> None:
        self._ip = program("ip", "iproute2")
        self._name = f"coilbench-{os.getpid()}"
        self._wire = f"cb{os.getpid()}"

    def __enter__(self) -> Self:
        try:
            self._do("netns", "add", self._name)
            self._do("link", "add", self._wire, "type", "veth", "peer", "name", "wire", "netns", self._name)
            self._do("address", "add", f"{HERE}/{PREFIX_LENGTH}", "dev", self._wire)
            self._do("link", "set", self._wire, "up")
            self._do("-n", self._name, "address", "add", f"{THERE}/{PREFIX_LENGTH}", "dev", "wire")
            for device in ("wire", "lo"):
                self._do("-n", self._name, "link", "set", device, "up")
        except NoNamespaces:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    def move_here(self, process: FleetProcess, fleet: Fleet) -> None:
        """Have the process run on this host from its next start on, and find the stores over the wire."""
        configuration = fleet.configuration
        process.command = [self._ip, "netns", "exec", self._name, *process.command]
        process.environment |= {
            "COILBENCH_DATABASE_URL": configuration.database.replace("127.0.0.1", HERE),
            "COILBENCH_BROKER_URL": configuration.broker.replace("127.0.0.1", HERE),
        }

    def cut(self) -> None:
        """Nothing passes from now on; nobody is told."""
        self._do("link", "set", self._wire, "down")

    def heal(self) -> None:
        """All passes again."""
        self._do("link", "set", self._wire, "up")

    def _end(self) -> None:
        subprocess.run([self._ip, "netns", "delete", self._name], check=False, capture_output=True)

    def _do(self, *words: str) -> None:
        done = subprocess.run([self._ip, *words], check=False, capture_output=True, text=True)
        if done.returncode != 0:
            raise NoNamespaces(f"ip {' '.join(words)}: {done.stderr.strip()}; it needs root and iproute2")
