"""A process that measures one long take, which is never in memory, and prints its greatest memory above its imports.

python measuring_process.py MINUTES RATE_HZ [ringing] -> bytes, number of strums
"""

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT / "worker"), str(ROOT / "tests")]

from coilbench_worker.measure.settings import MeasureSettings  # noqa: E402
from coilbench_worker.measure.source import BLOCK_FRAMES, FLOAT_FACTS, FloatArray, SampleSource  # noqa: E402
from coilbench_worker.measure.take import measure_take  # noqa: E402
from coilbench_worker.model.take import Take  # noqa: E402
from material.corpus import TWIN, hands  # noqa: E402
from material.plain_take import CHAIN, rendered  # noqa: E402
from material.sources import RepeatingSource  # noqa: E402

STRETCH_S = 6.0


def memory_bytes(name: str) -> int:
    """VmRSS (now) or VmHWM (greatest) of this process (Linux)."""
    found = re.search(rf"{name}:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    return 1024 * int(found[1])


@dataclass(frozen=True)
class RingingSource:
    """One strum after 1 s that rings on to the end, 1.5 dB/s, over a little hiss; made as it is asked for."""

    rate_hz: int
    frames: int
    channels: int = 1

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks."""
        for start in range(0, self.frames, BLOCK_FRAMES):
            yield self.segment(start, min(start + BLOCK_FRAMES, self.frames))

    def segment(self, start: int, stop: int) -> FloatArray:
        """Frames start..stop, shape (stop - start, 1)."""
        time_s = np.arange(start, stop) / self.rate_hz - 1.0
        sound = 1e-5 * np.random.default_rng(start).standard_normal(stop - start)
        for hertz in (220.0, 1320.0, 5000.0):
            sound += np.where(time_s >= 0, 0.2 * np.sin(2 * np.pi * hertz * time_s) * 10 ** (-0.075 * time_s), 0.0)
        return sound[:, None]


def session(minutes: float, rate_hz: int) -> SampleSource:
    """A strum every six seconds."""
    stretch = rendered(Take(TWIN, hands(1, 1.0, first_s=1.0), STRETCH_S, chain=CHAIN), rate_hz).samples
    return RepeatingSource(stretch, rate_hz, round(minutes * 60 * rate_hz))


def main(minutes: float, rate_hz: int, ringing: bool) -> None:
    """Measure, and print bytes and strums."""
    imports = memory_bytes("VmRSS")
    source = RingingSource(rate_hz, round(minutes * 60 * rate_hz)) if ringing else session(minutes, rate_hz)
    Path("/proc/self/clear_refs").write_text("5")  # the greatest memory is counted from here on
    measurement = measure_take(source, FLOAT_FACTS, MeasureSettings())
    print(memory_bytes("VmHWM") - imports, len(measurement.strums))


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]), sys.argv[3:] == ["ringing"])
