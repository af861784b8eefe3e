"""coilbench-server as a process on a port of this machine, ready and ended with the block."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import psutil
import requests

DEADLINE_S = 60
NO_BROKER = "redis://127.0.0.1:1/0"  # is named and does not answer: takes are kept and wait
READY = re.compile(r"coilbench is ready at (http://127\.0\.0\.1:\d+)\n")


class Program:
    """A running coilbench-server."""

    def __init__(self, process: subprocess.Popen[str], address: str, log: Path) -> None:
        self.process, self.address, self.log = process, address, log

    def ask(self, method: str, path: str, **options: Any) -> requests.Response:
        """One request on a connection of its own."""
        return requests.request(method, self.address + path, timeout=DEADLINE_S, **options)

    @contextmanager
    def watched(self) -> Iterator[list[int]]:
        """Look at the memory of the process every half millisecond; gives what was seen, bytes, the first at once."""
        process = psutil.Process(self.process.pid)
        seen = [process.memory_info().rss]
        over = threading.Event()

        def look() -> None:
            while not over.wait(0.0005):
                seen.append(process.memory_info().rss)

        watcher = threading.Thread(target=look)
        watcher.start()
        try:
            yield seen
        finally:
            over.set()
            watcher.join()

    def raw(self, request: bytes) -> tuple[bytes, dict[str, Any]]:
        """Send bytes that no library would; status line and body."""
        host, port = self.address.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port)), timeout=DEADLINE_S) as connection:
            connection.sendall(request)
            answer = b""
            while piece := connection.recv(65536):
                answer += piece
        head, _, body = answer.partition(b"\r\n\r\n")
        assert b"application/problem+json" in head
        return head.split(b"\r\n")[0], json.loads(body)


@contextmanager
def program(command: str, folder: Path, **settings: str) -> Iterator[Program]:
    """Run a command of coilbench-server until the block ends."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("COILBENCH_")}
    kept |= {"COILBENCH_DATA": str(folder / "data"), "COILBENCH_LISTEN": "127.0.0.1:0", "COILBENCH_WORKERS": "1"}
    if command == "api":
        kept["COILBENCH_BROKER_URL"] = NO_BROKER
    log = folder / "log"
    with log.open("w") as told:
        process = subprocess.Popen(
            [str(Path(sys.executable).parent / "coilbench-server"), command],
            env=kept | settings,
            stdout=subprocess.PIPE,
            stderr=told,
            text=True,
        )
    assert process.stdout is not None
    killer = threading.Timer(DEADLINE_S, process.kill)
    killer.start()
    try:
        line = _line(process.stdout)
        found = READY.fullmatch(line)
        assert found, f"{line!r}; {log.read_text()[-2000:]}"
        killer.cancel()
        yield Program(process, found[1], log)
    finally:
        killer.cancel()
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(DEADLINE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        process.stdout.close()


def _line(stdout: IO[str]) -> str:
    return stdout.readline()
