"""One strum cut out of its recording as a WAV file, in a process of its own: `python -m coilbench_worker.excerpt`.

Why in a process of its own, and what it may, says `child`. It begins within 0.2 s: of `measure` it
needs true peak alone.

The excerpt is the measured channel from LEAD_S before the onset to the strum's end, LONGEST_S at most, at the rate of
the recording, in 24 bits. So that it doesn't click, it is faded in within the lead, before the onset, and out at its
end. Nothing else is done to the samples: without a gain those of 8, 16 and 24 bits come out as they were recorded.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.recording import Recording, open_recording
from coilbench_worker.audio.refusal import UnreadableRecording
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
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.true_peak import true_peak_dbtp

PROGRAM = child_program("coilbench_worker.excerpt")
TIMEOUT_S = 60.0
"""A take of a minute is cut in half a second; two hours of FLAC are read in half a minute."""
LEAD_S = 0.05
LONGEST_S = 30.0
"""From the onset; low strings ring for half a minute."""
FADE_S = 0.01
GREATEST_DBTP = -1.0
"""True peak that a gain may lead to: EBU R 128 allows no more."""
FORM = 1
"""Rises when other bytes come of the same stretch of the same recording."""
_FULL_SCALE = 1 << 23


class ExcerptTooLoud(Exception):
    """With this gain the excerpt would go beyond GREATEST_DBTP, or without one beyond full scale.

    `true_peak_dbtp` is that of the excerpt without a gain.
    """

    def __init__(self, true_peak_dbtp: float) -> None:
        super().__init__(f"the true peak of the excerpt is {true_peak_dbtp:.2f} dBTP")
        self.true_peak_dbtp = true_peak_dbtp


class ExcerptFailed(ChildFailed):
    """No excerpt was made, and it is not known to be the recording's fault; the message says what to do."""


def cut_excerpt(
    path: str | os.PathLike[str],
    into: str | os.PathLike[str],
    *,
    channel: int,
    onset_s: float,
    end_s: float,
    gain_db: float | None = None,
    limits: AudioLimits | None = None,
    timeout_s: float = TIMEOUT_S,
    program: Sequence[str] = PROGRAM,
) -> None:
    """Cut a strum out of a recording in a child process.

    Parameters
    ----------
    path : the recording
    into : where the WAV goes
    channel : that was measured, counted from 1
    onset_s, end_s : of the strum in the recording, s
    gain_db : dB; None: as recorded
    limits : what a recording may be at most
    timeout_s : after that the child is killed
    program : the child; the path and options are added

    Raises
    ------
    ExcerptTooLoud : it would clip; nothing usable is written
    AudioRefused : the file is no recording that can be measured, or not the one that was
    OSError : a file can't be reached now
    ExcerptFailed : the child took too long, used too much memory or died
    """
    options = {
        "into": str(Path(into).absolute()),
        "channel": channel,
        "onset": repr(onset_s),
        "end": repr(end_s),
        "gain": None if gain_db is None else repr(gain_db),
    }
    try:
        kind, value = ask(program, path, options, limits=limits, timeout_s=timeout_s)
    except ChildTooSlow as error:
        raise ExcerptFailed(
            f"Cutting the excerpt took longer than {timeout_s:g} s and was stopped.", error.log
        ) from error
    except ChildOutOfMemory as error:
        raise ExcerptFailed(f"Cutting the excerpt needs more than {MEMORY_MIB} MiB of memory.") from error
    except ChildDied as error:
        raise ExcerptFailed(f"The process that cuts excerpts died ({error}); look at the log.", error.log) from error
    if kind == "too_loud":
        raise ExcerptTooLoud(float(value))
    if kind != "frames":
        raise ExcerptFailed(f"The process that cuts excerpts gave an unknown answer, {kind!r}; look at the log.")


def faded(samples: FloatArray, lead: int, fade: int) -> FloatArray:
    """The samples, faded in before the onset and out at the end, by half a period of a cosine each.

    Parameters
    ----------
    samples : shape (n,), any scale
    lead : of them, before the onset; a fade in is no longer than this
    fade : length of a fade, samples; half of all at most

    Returns
    -------
    shape (n,)
    """
    found = samples.copy()
    begun, ended = min(fade, lead, samples.size // 2), min(fade, samples.size // 2)
    found[:begun] *= _rise(begun)
    found[found.size - ended :] *= _rise(ended)[::-1]
    return found


def _rise(size: int) -> FloatArray:
    """From 0 to nearly 1, shape (size,)."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.arange(size) / max(size, 1)), dtype=np.float64)


def _stretch(recording: Recording, channel: int, onset_s: float, end_s: float) -> FloatArray:
    """What is to be heard, faded; shape (n,)."""
    rate = recording.rate_hz
    onset = round(onset_s * rate)
    start = max(onset - round(LEAD_S * rate), 0)
    stop = min(round(min(end_s, onset_s + LONGEST_S) * rate), recording.frames)
    if channel > recording.channels or onset >= stop:
        raise UnreadableRecording("The recording is shorter, or has fewer channels, than when it was measured.")
    samples = recording.segment(start, stop)[:, channel - 1]
    if not np.isfinite(samples).all():
        raise UnreadableRecording("The recording has samples that are no numbers.")
    return faded(samples, onset - start, round(FADE_S * rate))


def _cut(
    path: Path, into: Path, channel: int, onset_s: float, end_s: float, gain_db: float | None, limits: AudioLimits
) -> Mapping[str, Any]:
    """What the child answers."""
    with open_recording(path, limits) as recording:
        samples = _stretch(recording, channel, onset_s, end_s)
        rate_hz = recording.rate_hz
    peak = true_peak_dbtp(samples, rate_hz)
    if peak is not None and (peak + gain_db > GREATEST_DBTP if gain_db is not None else np.abs(samples).max() > 1.0):
        return {"too_loud": peak}
    scaled = np.rint(samples * (_FULL_SCALE * 10.0 ** ((gain_db or 0.0) / 20.0)))
    codes = np.minimum(scaled, _FULL_SCALE - 1).astype(np.int32)  # a sample of just 1.0 has no code
    soundfile.write(into, codes << 8, rate_hz, subtype="PCM_24", format="WAV")
    return {"frames": codes.size}


def main(arguments: Sequence[str] | None = None) -> None:
    """The child: cut the excerpt and print how long it is, or why there is none."""
    options = {"into": Path, "channel": int, "onset": float, "end": float, "gain": float}
    given = told(__doc__, options, arguments, TIMEOUT_S)
    answer(lambda: _cut(given.path, given.into, given.channel, given.onset, given.end, given.gain, given.limits))


if __name__ == "__main__":
    main()
