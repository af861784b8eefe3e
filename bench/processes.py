"""Processes of a running service: started, waited for, their processor time, ended."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

CLOCK_HZ = os.sysconf("SC_CLK_TCK")
READY_WITHIN_S = 60.0
END_WITHIN_S = 20.0


class BenchError(Exception):
    """The bench could not be run; the message says what was missing and where its log is."""


def free_port() -> int:
    """A port on the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(command: Sequence[str], log: Path, environment: dict[str, str]) -> Iterator[int]:
    """Run a program; gives its process number and ends it by SIGTERM, by SIGKILL when that is not heeded."""
    with log.open("wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=subprocess.STDOUT, env={**os.environ, **environment})
    try:
        yield process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(END_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def server_command(*verb: str) -> list[str]:
    """The command `coilbench-server` of this environment."""
    return [str(Path(sys.executable).with_name("coilbench-server")), *verb]


def wait_until(ready: Callable[[], bool], what: str, log: Path) -> None:
    """Wait for a condition.

    Raises
    ------
    BenchError : it did not come about; carries the end of the log
    """
    deadline = time.monotonic() + READY_WITHIN_S
    while not ready():
        if time.monotonic() > deadline:
            raise BenchError(f"{what} within {READY_WITHIN_S:.0f} s did not happen; log:\n{log.read_text()[-2000:]}")
        time.sleep(0.05)


def cpu_s(pids: Sequence[int]) -> float:
    """User and system time so far of these processes, their living descendants and the ended ones, s (Linux /proc)."""
    parents: dict[int, int] = {}
    ticks: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
        except OSError:  # ended in between
            continue
        parents[int(entry.name)] = int(fields[1])
        ticks[int(entry.name)] = sum(map(int, fields[11:15]))  # utime, stime, cutime, cstime
    family = set(pids)
    while True:
        more = {pid for pid, parent in parents.items() if parent in family} - family
        if not more:
            return sum(ticks.get(pid, 0) for pid in family) / CLOCK_HZ
        family |= more


def number_from(code: str, *arguments: Path | str) -> float:
    """The number that a fresh Python process prints when it runs `code` with these arguments.

    Raises
    ------
    BenchError : it failed; carries the end of what it said
    """
    child = subprocess.run([sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True)
    if child.returncode != 0:
        raise BenchError(f"A child ended with {child.returncode}: {child.stderr.strip()[-500:]}")
    return float(child.stdout)
