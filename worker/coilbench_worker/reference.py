"""A recorded reference tone, opened and measured in a process of its own: `python -m coilbench_worker.reference`.

Why in a process of its own, and what it may, says `child`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.child import (
    MEMORY_MIB,
    ChildDied,
    ChildFailed,
    ChildOutOfMemory,
    ChildTooSlow,
    answer,
    ask,
    child_program,
    told,
)
from coilbench_worker.measure.channels import choose_channel
from coilbench_worker.measure.reference_tone import Fault, ReferenceTone, ToneUnfit, measure_tone
from coilbench_worker.measure.results import Unmeasurable
from coilbench_worker.measure.source import RecordingFacts

PROGRAM = child_program("coilbench_worker.reference")
TIMEOUT_S = 60.0
"""A minute of tone is measured in a second or two; two hours of it are read in half a minute."""


class ReferenceFailed(ChildFailed):
    """The tone could not be measured, and it is not known to be the recording's fault; the message says what to do."""


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
    try:
        kind, value = ask(program, path, {"channel": channel}, limits=limits, timeout_s=timeout_s)
    except ChildTooSlow as error:
        raise ReferenceFailed(
            f"Measuring the tone took longer than {timeout_s:g} s and was stopped; send ten seconds of tone as WAV.",
            error.log,
        ) from error
    except ChildOutOfMemory as error:
        raise ReferenceFailed(
            f"Measuring the tone needs more than {MEMORY_MIB} MiB of memory; send ten seconds of tone as WAV, with "
            "one or two channels."
        ) from error
    except ChildDied as error:
        raise ReferenceFailed(
            f"The process that measures the tone died ({error}); export the tone again as WAV and send that. If it "
            "happens again, look at the log.",
            error.log,
        ) from error
    if kind == "tone":
        return ReferenceTone(**value)
    if kind == "unfit":
        raise ToneUnfit(tuple(Fault(*fault) for fault in value))
    raise ReferenceFailed(f"The process that measures the tone gave an unknown answer, {kind!r}; look at the log.")


def _measure(path: Path, channel: int | None, limits: AudioLimits) -> Mapping[str, Any]:
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


def _cut_short(facts: RecordingFacts) -> tuple[Fault, ...]:
    """The fault of a file that is damaged or cut off: what is there may be right, but nobody can say so."""
    if not facts.truncated:
        return ()
    message = "The file ends, or is damaged, before its header says; copy it again from where it was recorded."
    return (Fault("truncated-file", message),)


def main(arguments: Sequence[str] | None = None) -> None:
    """The child: measure the tone of one file and print the answer."""
    given = told(__doc__, {"channel": int}, arguments, TIMEOUT_S)
    answer(lambda: _measure(given.path, given.channel, given.limits))


if __name__ == "__main__":
    main()
