"""The programs that the demonstration runs as a user would: the server, and the command that sends."""

import os
import shlex
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

READY = "coilbench is ready at "
READY_WITHIN_S = 90.0
STOP_WITHIN_S = 30.0
LINES_OF_LOG = 15


class DemoFailed(Exception):
    """The demonstration can't go on; the message says why and what to do."""


def program(name: str) -> str:
    """Path of an installed program, the one beside this Python first.

    Raises
    ------
    DemoFailed : it is not installed
    """
    beside = Path(sys.executable).parent
    found = shutil.which(name, path=str(beside)) or shutil.which(name)
    if found is None:
        raise DemoFailed(
            f"The program {name} is neither beside {sys.executable} nor on the search path. Install coilbench with its "
            f"server part: pip install 'coilbench[server]'"
        )
    return found


def typed(path: str | Path) -> str:
    """A path as a user types it here: from the current folder when it lies inside, ready for the shell."""
    whole = Path(path).absolute()
    here = Path.cwd()
    text = str(whole)
    if whole.is_relative_to(here):
        inside = str(whole.relative_to(here))
        text = inside if os.sep in inside else f".{os.sep}{inside}"
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)


def typed_program(name: str) -> str:
    """A program of ours as a user types it here: by its name where the search path leads to it, else by its path."""
    path = program(name)
    found = shutil.which(name)
    return name if found is not None and Path(found).absolute() == Path(path).absolute() else typed(path)


def surroundings(settings: Mapping[str, str]) -> dict[str, str]:
    """The environment without any setting of coilbench but these: the demonstration never touches a user's data."""
    kept = {name: value for name, value in os.environ.items() if not name.upper().startswith("COILBENCH_")}
    return {**kept, "PYTHONUNBUFFERED": "1", **settings}


@contextmanager
def server(data: Path, log: Path) -> Iterator[str]:
    """The embedded server on a free port of this machine, stopped at the end.

    Parameters
    ----------
    data : folder of its database and recordings
    log : file that gets what it says

    Yields
    ------
    its address, http://...

    Raises
    ------
    DemoFailed : it ended, or did not answer in time; the message holds the end of its log
    """
    settings = {"COILBENCH_DATA": str(data), "COILBENCH_LISTEN": "127.0.0.1:0"}
    with log.open("w", encoding="utf-8") as told:
        process = subprocess.Popen(
            [program("coilbench-server"), "up"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=told,
            env=surroundings(settings),
            text=True,
            encoding="utf-8",
            errors="replace",
        )
        ready = _Ready(process, log)
        try:
            yield ready.address()
        finally:
            _stop(process)
            ready.finish()


def run(command: Sequence[str], address: str) -> int:
    """Run a command of the client against the server; its output goes where ours goes. Returns its exit status."""
    sys.stdout.flush()
    return subprocess.run(command, env=surroundings({"COILBENCH_URL": address}), check=False).returncode


class _Ready:
    """Reads the server's output to its end, and knows the address once the server has said it."""

    def __init__(self, process: subprocess.Popen[str], log: Path) -> None:
        self._process, self._log = process, log
        self._address: str | None = None
        self._known = threading.Event()
        self._reader = threading.Thread(target=self._read, name="demo-server-output", daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None  # opened as a pipe
        with self._process.stdout as lines:
            for line in lines:
                if self._address is None and READY in line:
                    self._address = line.partition(READY)[2].split()[0]
                    self._known.set()
        self._known.set()

    def address(self) -> str:
        said_in_time = self._known.wait(READY_WITHIN_S)
        if self._address is not None:
            return self._address
        why = "ended before it was ready" if said_in_time else f"was not ready within {READY_WITHIN_S:.0f} s"
        last = self._log.read_text(encoding="utf-8", errors="replace").splitlines()[-LINES_OF_LOG:]
        raise DemoFailed("\n    ".join([f"The server {why}. The end of its log ({self._log}):", *last]))

    def finish(self) -> None:
        self._reader.join(STOP_WITHIN_S)


def _stop(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(STOP_WITHIN_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
