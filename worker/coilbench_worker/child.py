"""A sound file that is opened in a process of its own, on behalf of a service that must not open any.

What a decoder can't do safely may end this child and no more. It is a fresh interpreter, on every system the same, with
a time limit, a memory limit where the system keeps one, and none of the settings of the service in its environment. It
answers with one line of JSON: an object of one member, whose name says what it is.

The parent calls `ask`; the child's `main` calls `told` and `answer`.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import AudioRefused
from coilbench_worker.memory_limit import limit_memory

MEMORY_MIB = 1024
"""The samples that a recording keeps are 92 MiB at most; the libraries take some 100 more."""
CPU_BEYOND_S = 5.0
"""The child's own limit on processor time is so much later: it counts only when the parent is gone."""
LOG_CHARACTERS = 2_000


class ChildFailed(Exception):
    """The child gave no answer, and it is not known to be the recording's fault.

    `log` is the end of what it wrote on standard error.
    """

    def __init__(self, message: str, log: str = "") -> None:
        super().__init__(message)
        self.log = log


class ChildTooSlow(ChildFailed):
    """It took longer than it may and was stopped."""


class ChildOutOfMemory(ChildFailed):
    """It needs more memory than MEMORY_MIB."""


class ChildDied(ChildFailed):
    """It ended without an answer; the message says how."""


def child_program(module: str) -> tuple[str, ...]:
    """The command of a child: a module with a `main` of this package."""
    return (sys.executable, "-P", "-m", module)


def ask(
    program: Sequence[str],
    path: str | os.PathLike[str],
    options: Mapping[str, object],
    *,
    limits: AudioLimits | None,
    timeout_s: float,
) -> tuple[str, Any]:
    """Have a child open a sound file, and wait for its answer.

    Parameters
    ----------
    program : the child; path and options are added
    path : the recording
    options : further ones by name without dashes; None is left out
    limits : what a recording may be at most
    timeout_s : after that the child is killed

    Returns
    -------
    tuple : name and value of the answer

    Raises
    ------
    AudioRefused : the file is no recording that can be measured
    OSError : the file can't be reached now
    ChildFailed : it took too long, used too much memory or died
    """
    command = [*program, str(Path(path).absolute()), "--limits", json.dumps(asdict(limits or AudioLimits()))]
    command.append(f"--cpu-limit={timeout_s + CPU_BEYOND_S:g}")
    command += [f"--{name}={value}" for name, value in options.items() if value is not None]
    ((kind, value),) = _said(command, timeout_s).items()
    if kind == "refused":
        refusals = {each.code: each for each in AudioRefused.__subclasses__()}
        raise refusals.get(value["code"], AudioRefused)(value["detail"], value["advice"])
    if kind == "unreachable":
        raise OSError(value)
    if kind == "memory":
        raise ChildOutOfMemory(f"more than {MEMORY_MIB} MiB of memory")
    return kind, value


def _said(command: Sequence[str], timeout_s: float) -> Mapping[str, Any]:
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=timeout_s,
            env=child_environment(Path(__file__).resolve().parents[1]),
            check=False,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except subprocess.TimeoutExpired as error:
        raise ChildTooSlow(f"longer than {timeout_s:g} s", _end_of(error.stderr)) from error
    try:
        said = json.loads(done.stdout)
    except ValueError:
        said = None
    if done.returncode != 0 or not isinstance(said, dict) or len(said) != 1:
        raise ChildDied(_ending(done.returncode), _end_of(done.stderr))
    return said


def child_environment(folder: Path) -> dict[str, str]:
    """The environment of a child: ours without the settings, which may hold passwords; one thread for arithmetic.

    Parameters
    ----------
    folder : that the child's package lies in
    """
    from coilbench_worker.configuration import PREFIX  # here, as the child would need a third longer to begin

    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    paths = os.pathsep.join(path for path in (str(folder), kept.get("PYTHONPATH", "")) if path)
    return {**kept, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def _ending(code: int) -> str:
    return f"by signal {-code}" if code < 0 else f"exit code {code}"


def _end_of(output: bytes | None) -> str:
    return (output or b"").decode("utf-8", "replace")[-LOG_CHARACTERS:]


def told(
    description: str | None,
    options: Mapping[str, Callable[[str], object]],
    arguments: Sequence[str] | None,
    cpu_s: float,
) -> argparse.Namespace:
    """The child's side: what it is to do. From here on it lives within its limits.

    Parameters
    ----------
    description : of the program
    options : further ones, with what makes a value of their text; one that is not given is None
    arguments : of the command line; None for those of this process
    cpu_s : processor time where the parent says nothing

    Returns
    -------
    argparse.Namespace : `path`, `limits` (AudioLimits) and the options
    """
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("path", type=Path)
    parser.add_argument("--limits", type=lambda text: AudioLimits(**json.loads(text)), default=AudioLimits())
    parser.add_argument("--cpu-limit", type=float, default=cpu_s)
    for name, kind in options.items():
        parser.add_argument(f"--{name}", type=kind)
    given = parser.parse_args(arguments)
    limit_memory(MEMORY_MIB)
    _limit_processor(given.cpu_limit)
    return given


def answer(work: Callable[[], Mapping[str, Any]]) -> None:
    """The child's side: do the work and print what came of it.

    Parameters
    ----------
    work : returns the answer, an object of one member; an error of the file, of its place or of memory is one too
    """
    try:
        found = work()
    except AudioRefused as error:
        found = {"refused": {"code": error.code, "detail": error.detail, "advice": error.advice}}
    except MemoryError:
        found = {"memory": None}
    except OSError as error:
        found = {"unreachable": f"{type(error).__name__}: {error}"}
    json.dump(found, sys.stdout)


def _limit_processor(seconds: float) -> None:
    """End this process when it has used so much processor time, where the system can (not on Windows)."""
    if sys.platform != "win32":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        limit = round(seconds) if hard == resource.RLIM_INFINITY else min(round(seconds), hard)
        resource.setrlimit(resource.RLIMIT_CPU, (limit, hard))
