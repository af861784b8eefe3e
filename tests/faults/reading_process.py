"""A process that reads and measures the files it is told of, as a measuring process does; it may die of one.

A line in is {"path", "keep_bytes"}; a line out is what became of it. `keep_bytes`: from how many bytes on samples are
read from disk whenever they are needed. Arguments: limit on memory (MiB), on samples, on seconds.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import time
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from coilbench_worker.audio import recording
from coilbench_worker.audio.header import sniff
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import AudioRefused
from coilbench_worker.measure.results import Unmeasurable, to_document
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.take import measure_take
from coilbench_worker.memory_limit import limit_memory

LINUX = sys.platform == "linux"


def outcome(path: Path, limits: AudioLimits) -> dict[str, Any]:
    """The header is looked at as on arrival, then the recording is opened, compared with itself, and measured."""
    try:
        with path.open("rb") as file:
            sniff(file, path.stat().st_size, limits)
    except AudioRefused as refused:
        accepted = {"accepted": False, "arrival": refused.code}
    else:
        accepted = {"accepted": True}
    try:
        with recording.open_recording(path, limits) as opened:
            found = accepted | sound(opened)
            try:
                document = to_document(measure_take(opened, opened.facts, MeasureSettings()))
            except Unmeasurable as error:
                return found | {"outcome": "unmeasurable", "code": error.checks[-1].code}
            json.dumps(document, allow_nan=False)
            return found | {"outcome": "measured", "code": "", "document": document}
    except AudioRefused as refused:
        words = refused.code if refused.detail and refused.advice else "refused without a word"
        return accepted | {"outcome": "refused", "code": words}


def sound(opened: recording.Recording) -> dict[str, Any]:
    """Facts and a digest of all samples; pieces read again from anywhere have to be the same."""
    digest = hashlib.sha256()
    kept, total = [], 0
    for block in opened.blocks():
        total += len(block)
        digest.update(np.ascontiguousarray(block))
        kept.append(block.copy())
    samples = np.concatenate(kept)
    assert total == opened.frames, f"{total} frames came of {opened.frames}"
    rng = np.random.default_rng(total)
    for _ in range(4):
        start, stop = sorted(int(place) for place in rng.integers(0, total + 1, 2))
        stop = min(stop, start + 5_000)
        again = opened.segment(start, stop)
        assert np.array_equal(again, samples[start:stop], equal_nan=True), f"frames {start} to {stop} differ"
    return {
        "digest": digest.hexdigest(),
        "frames": total,
        "rate_hz": opened.rate_hz,
        "channels": opened.channels,
        "truncated": opened.facts.truncated,
    }


def count_greatest_memory_anew() -> None:
    """From here on; Linux only."""
    if LINUX:
        Path("/proc/self/clear_refs").write_text("5")


def memory_kb(name: str) -> int:
    """VmRSS (now) or VmHWM (greatest) of this process; 0 where the system does not say."""
    if not LINUX:
        return 0
    found = re.search(rf"{name}:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1])


def main(memory_mib: int, max_samples: int, max_duration_s: float) -> None:
    """Answer line by line."""
    limit_memory(memory_mib)
    limits = AudioLimits(max_samples=max_samples, max_duration_s=max_duration_s)
    resident = memory_kb("VmRSS")
    for line in sys.stdin:
        asked = json.loads(line)
        recording.IN_MEMORY_BYTES = asked["keep_bytes"]
        count_greatest_memory_anew()
        began = time.process_time()
        try:
            answer = outcome(Path(asked["path"]), limits)
        except BaseException as error:
            answer = {"outcome": "fault", "code": type(error).__name__, "trace": traceback.format_exc()}
        answer |= {"cpu_s": time.process_time() - began, "more_mb": (memory_kb("VmHWM") - resident) / 1024}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]))
