"""A recorded reference tone, opened and measured in a process of its own.

The service must not open sound files: what a decoder can't do safely may end this child and no more. It is a fresh
interpreter (`python -m coilbench_worker.reference`), on every system the same, with a time limit, a memory limit where
the system keeps one, and none of the settings of the service in its environment. It answers with one line of JSON.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.audio.refusal import AudioRefused
from coilbench_worker.measure.channels import choose_channel
from coilbench_worker.measure.reference_tone import Fault, ReferenceTone, ToneUnfit, measure_tone
from coilbench_worker.measure.results import Unmeasurable
from coilbench_worker.measure.source import RecordingFacts
from coilbench_worker.memory_limit import limit_memory

PROGRAM = (sys.executable, "-P", "-m", "coilbench_worker.reference")
TIMEOUT_S = 60.0
"""A minute of tone is measured in a second or two; two hours of it are read in half a minute."""
MEMORY_MIB = 1024
"""The samples that a recording keeps are 92 MiB at most; the libraries take some 100 more."""
CPU_BEYOND_S = 5.0
"""The child's own limit on processor time is so much later: it counts only when the parent is gone."""
LOG_CHARACTERS = 2_000


class ReferenceFailed(Exception):
    """The tone could not be measured, and it is not known to be the recording's fault; the message says what to do.

    `log` is the end of what the child wrote on standard error.
    """

    def __init__(self, message: str, log: str = "") -> None:
        super().__init__(message)
        self.log = log


def measure_reference(
    path: str | os.PathLike[str],
    *,
    channel: int | None = None,
    limits: AudioLimits | None = None,
    timeout_s: float = TIMEOUT_S,
    program: Sequence[str] = PROGRAM,
) -> ReferenceTone:
    """Measure a recorded reference tone in a child process.

    Parameters
    ----------
    path : the recording
    channel : that carries the tone, counted from 1; None: the only one with signal, or the first of several alike
    limits : what a recording may be at most
    timeout_s : after that the child is killed
    program : the child; the path and options are added

    Raises
    ------
    ToneUnfit : the recording is no tone to calibrate by, with every reason (`channel-choice` among them)
    AudioRefused : the file is no recording that can be measured
    OSError : the file can't be reached now
    ReferenceFailed : the child took too long, used too much memory or died
    """
    command = [*program, str(Path(path).absolute()), "--limits", json.dumps(asdict(limits or AudioLimits()))]
    command += ["--cpu-limit", f"{timeout_s + CPU_BEYOND_S:g}"]
    if channel is not None:
        command += ["--channel", str(channel)]
    return _tone_of(_answer(command, timeout_s))


def _answer(command: Sequence[str], timeout_s: float) -> Mapping[str, Any]:
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=timeout_s,
            env=_environment(),
            check=False,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except subprocess.TimeoutExpired as error:
        raise ReferenceFailed(
            f"Measuring the tone took longer than {timeout_s:g} s and was stopped; send ten seconds of tone as WAV.",
            _end_of(error.stderr),
        ) from error
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        answer = None
    if done.returncode != 0 or not isinstance(answer, dict) or len(answer) != 1:
        raise ReferenceFailed(
            f"The process that measures the tone died ({_ending(done.returncode)}); export the tone again as WAV and "
            "send that. If it happens again, look at the log.",
            _end_of(done.stderr),
        )
    return answer


def _tone_of(answer: Mapping[str, Any]) -> ReferenceTone:
    """The child's answer: a tone, or the error that it met."""
    ((kind, value),) = answer.items()
    if kind == "tone":
        return ReferenceTone(**value)
    if kind == "unfit":
        raise ToneUnfit(tuple(Fault(*fault) for fault in value))
    if kind == "refused":
        refusals = {each.code: each for each in AudioRefused.__subclasses__()}
        raise refusals.get(value["code"], AudioRefused)(value["detail"], value["advice"])
    if kind == "unreachable":
        raise OSError(value)
    if kind == "memory":
        raise ReferenceFailed(
            f"Measuring the tone needs more than {MEMORY_MIB} MiB of memory; send ten seconds of tone as WAV, with "
            "one or two channels."
        )
    raise ReferenceFailed(f"The process that measures the tone gave an unknown answer, {kind!r}; look at the log.")


def _environment() -> dict[str, str]:
    """The environment of the child: ours without the settings, which may hold passwords; one thread for arithmetic."""
    from coilbench_worker.configuration import PREFIX  # here, as the child would need a third longer to begin

    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    package = str(Path(__file__).resolve().parents[1])
    paths = os.pathsep.join(path for path in (package, kept.get("PYTHONPATH", "")) if path)
    return {**kept, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def _ending(code: int) -> str:
    return f"by signal {-code}" if code < 0 else f"exit code {code}"


def _end_of(output: bytes | None) -> str:
    return (output or b"").decode("utf-8", "replace")[-LOG_CHARACTERS:]


def _measure(path: Path, channel: int | None, limits: AudioLimits) -> dict[str, Any]:
    """What the child answers."""
    try:
        with open_recording(path, limits) as recording:
            cut = _cut_short(recording.facts)
            chosen, _ = choose_channel(recording, channel)
            try:
                tone = measure_tone(chosen)
            except ToneUnfit as error:
                raise ToneUnfit((*cut, *error.faults)) from error
            if cut:
                raise ToneUnfit(cut)
            return {"tone": asdict(tone)}
    except ToneUnfit as error:
        return {"unfit": [list(fault) for fault in error.faults]}
    except Unmeasurable as error:
        return {"unfit": [[check.code, check.message] for check in error.checks]}
    except AudioRefused as error:
        return {"refused": {"code": error.code, "detail": error.detail, "advice": error.advice}}
    except MemoryError:
        return {"memory": None}
    except OSError as error:
        return {"unreachable": f"{type(error).__name__}: {error}"}


def _cut_short(facts: RecordingFacts) -> tuple[Fault, ...]:
    """The fault of a file that is damaged or cut off: what is there may be right, but nobody can say so."""
    if not facts.truncated:
        return ()
    message = "The file ends, or is damaged, before its header says; copy it again from where it was recorded."
    return (Fault("truncated-file", message),)


def _limit_processor(seconds: float) -> None:
    """End this process when it has used so much processor time, where the system can (not on Windows)."""
    if sys.platform != "win32":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        limit = round(seconds) if hard == resource.RLIM_INFINITY else min(round(seconds), hard)
        resource.setrlimit(resource.RLIMIT_CPU, (limit, hard))


def main(arguments: Sequence[str] | None = None) -> None:
    """The child: measure the tone of one file and print the answer."""
    parser = argparse.ArgumentParser(prog="python -m coilbench_worker.reference", description=__doc__)
    parser.add_argument("path", type=Path)
    parser.add_argument("--channel", type=int)
    parser.add_argument("--limits", type=json.loads, default={})
    parser.add_argument("--cpu-limit", type=float, default=TIMEOUT_S)
    given = parser.parse_args(arguments)
    limit_memory(MEMORY_MIB)
    _limit_processor(given.cpu_limit)
    json.dump(_measure(given.path, given.channel, AudioLimits(**given.limits)), sys.stdout)


if __name__ == "__main__":
    main()
