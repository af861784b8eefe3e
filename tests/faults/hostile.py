"""Has mutated files read and measured in a child process and says what is wrong with the outcome, if anything is."""

from __future__ import annotations

import hashlib
import json
import math
import os
import select
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from coilbench_worker.measure.channels import GREATEST
from faults.literal_reader import Bounds, Refused, Sound, read
from material.mutation import Mutant, mutant

CHILD = Path(__file__).with_name("reading_process.py")
ROOT = Path(__file__).parents[2]
MEMORY_MIB = 768
MAX_SAMPLES, MAX_DURATION_S = 2_000_000, 60.0
BOUNDS = Bounds(channels=32, samples=MAX_SAMPLES, seconds=MAX_DURATION_S)
WITHIN_S = 60.0
KEEP_BYTES = (96_000_000, 20_000)  # by turns: samples kept in memory, samples read from disk
LEVEL_WINDOW_S, SHORTEST_S = 0.5, 0.5
DB = 1e-5  # levels are rounded to six decimals


class Died(Exception):
    """The child ended, or did not answer."""


class ReadingProcess:
    """The child, started again when it dies. Its whole memory is bounded."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="coilbench-hostile-")
        self._path = Path(self._folder.name) / "take"
        self.child: subprocess.Popen[bytes] | None = None

    def outcome(self, data: bytes, keep_bytes: int) -> dict[str, Any]:
        """What became of a file.

        Raises
        ------
        Died
        """
        self._path.write_bytes(data)
        child = self.child or self._start()
        assert child.stdin is not None
        assert child.stdout is not None
        with suppress(BrokenPipeError):  # it has died; that is seen below
            child.stdin.write(json.dumps({"path": str(self._path), "keep_bytes": keep_bytes}).encode() + b"\n")
            child.stdin.flush()
        ready, _, _ = select.select([child.stdout], [], [], WITHIN_S)
        line = child.stdout.readline() if ready else b""
        if not line:
            child.kill()
            with suppress(BrokenPipeError):
                child.stdin.close()
            child.stdin = None
            said = (child.communicate()[1] or b"").decode(errors="replace")[-2000:]
            self.child = None
            raise Died(f"no answer within {WITHIN_S:g} s" if not ready else f"exit code {child.returncode}: {said}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _start(self) -> subprocess.Popen[bytes]:
        places = os.pathsep.join(str(ROOT / name) for name in ("worker", "tests"))
        environment = os.environ | {"PYTHONPATH": places, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self.child = subprocess.Popen(
            [sys.executable, "-W", "error", str(CHILD), str(MEMORY_MIB), str(MAX_SAMPLES), str(MAX_DURATION_S)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
        )
        return self.child

    def close(self) -> None:
        """End the child."""
        if self.child is not None:
            self.child.communicate()
        self._folder.cleanup()


@dataclass
class Tally:
    """What happened, to be printed: outcomes by format, the most memory, the slowest file, and complaints."""

    outcomes: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    complaints: list[str] = field(default_factory=list)
    most_mb: tuple[float, str] = (0.0, "")
    slowest_s: tuple[float, str] = (0.0, "")
    deaths: int = 0


def run(seeds: range) -> Tally:
    """Mutate, read, measure and judge the files of these seeds."""
    tally = Tally()
    process = ReadingProcess()
    for seed in seeds:
        made = mutant(seed)
        who = f"seed {seed} ({made.file}: {made.mutation})"
        try:
            answer = process.outcome(made.data, KEEP_BYTES[seed // 2 % 2])
        except Died as died:
            tally.deaths += 1
            tally.complaints.append(f"{who}: {died}")
            continue
        complaint = wrong(made, answer)
        if complaint is not None:
            tally.complaints.append(f"{who}: {complaint}")
        tally.outcomes[made.file.split()[0], answer["outcome"], answer["code"]] += 1
        tally.most_mb = max(tally.most_mb, (answer["more_mb"], who))
        tally.slowest_s = max(tally.slowest_s, (answer["cpu_s"], who))
    process.close()
    return tally


def wrong(made: Mutant, answer: dict[str, Any]) -> str | None:
    """What is wrong with the outcome, None when it is a typed refusal with reason or a correct measurement."""
    found, code = answer["outcome"], answer["code"]
    if found == "fault":
        return str(answer["trace"])
    try:
        truth = read(made.data, BOUNDS)
    except Refused as refused:
        if found != "refused":
            return f"{found} {code}, and there is nothing to measure: {sorted(refused.codes)}"
        return None if code in refused.codes else f"refused as {code}, and it is {sorted(refused.codes)}"
    if found == "refused":
        return f"refused as {code}, and {len(truth.samples)} frames can be read"
    if not answer["accepted"]:
        return f"refused on arrival as {answer['arrival']}, and {found} later"
    return _unlike(truth, answer) or (_not_as_measured if found == "measured" else _not_so)(truth, answer)


def _unlike(truth: Sound, answer: dict[str, Any]) -> str | None:
    frames, channels = truth.samples.shape
    told = (answer["frames"], answer["channels"], answer["rate_hz"], answer["truncated"])
    if told != (frames, channels, truth.rate_hz, truth.truncated):
        return (
            f"(frames, channels, Hz, truncated) {told}, and it is {(frames, channels, truth.rate_hz, truth.truncated)}"
        )
    digest = hashlib.sha256(np.ascontiguousarray(truth.samples)).hexdigest()
    return None if answer["digest"] == digest else "the samples are others"


def _not_as_measured(truth: Sound, answer: dict[str, Any]) -> str | None:
    """Against levels worked out here from the samples: the first half second from the onset."""
    document, rate_hz = answer["document"], truth.rate_hz
    audio = document["audio"]
    if abs(audio["duration_s"] * rate_hz - len(truth.samples)) > 1e-3 or audio["sample_rate_hz"] != rate_hz:
        return f"the measurement speaks of {audio}"
    if not np.all(np.abs(truth.samples) <= GREATEST):
        return "measured, and there are samples that no recording has"
    cut = {check["code"] for check in document["checks"]}
    if ("truncated-file" in cut) is not truth.truncated:
        return "the check truncated-file is wrong"
    channel = truth.samples[:, audio["channel_used"] - 1]
    for strum in document["strums"]:
        start = round(strum["onset_s"] * rate_hz)
        stretch = channel[start : start + round(LEVEL_WINDOW_S * rate_hz)]
        levels = {
            "peak_dbfs": float(np.max(np.abs(stretch))),
            "rms_dbfs": math.sqrt(float(np.mean(stretch * stretch))),
        }
        for key, value in levels.items():
            told = strum["quantities"][key]
            if told is not None and not (value > 0 and abs(20 * math.log10(value) - told) < DB):
                return f"{key} {told} of the strum at {strum['onset_s']} s, and the samples say {value}"
    if not document["strums"]:
        return "measured without a strum"
    return None


def _not_so(truth: Sound, answer: dict[str, Any]) -> str | None:
    """Whether the reason why it can't be measured holds."""
    samples, code = truth.samples, answer["code"]
    seconds = len(samples) / truth.rate_hz
    finite = bool(np.all(np.abs(samples) <= GREATEST))
    if code == "too-short":
        return None if seconds < SHORTEST_S else f"called too short at {seconds} s"
    if code == "not-finite":
        return None if not finite else "called not finite, and it is"
    if seconds < SHORTEST_S or not finite:
        return f"called {code} with {seconds} s, finite: {finite}"
    if code == "channel-choice":
        first = samples[:, :1]
        energy = np.sum(samples**2, axis=0)
        same = np.sum((samples - first) ** 2, axis=0) <= 0.9e-4 * energy[0]
        alike = samples.shape[1] == 1 or bool(np.all(same[1:]))
        return "called different channels, and they are alike" if alike else None
    if code == "no-strums":
        return None
    return f"called {code}"
