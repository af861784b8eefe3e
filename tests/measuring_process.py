"""A process that measures one long take, which is never in memory, and prints its greatest memory above its imports.

python measuring_process.py MINUTES RATE_HZ -> bytes, number of strums
"""

import re
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT / "worker"), str(ROOT / "tests")]

from coilbench_worker.measure.settings import MeasureSettings  # noqa: E402
from coilbench_worker.measure.source import FLOAT_FACTS  # noqa: E402
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


def main(minutes: float, rate_hz: int) -> None:
    """Measure a strum every six seconds."""
    imports = memory_bytes("VmRSS")
    stretch = rendered(Take(TWIN, hands(1, 1.0, first_s=1.0), STRETCH_S, chain=CHAIN), rate_hz).samples
    source = RepeatingSource(stretch, rate_hz, round(minutes * 60 * rate_hz))
    Path("/proc/self/clear_refs").write_text("5")  # the greatest memory is counted from here on
    measurement = measure_take(source, FLOAT_FACTS, MeasureSettings())
    print(memory_bytes("VmHWM") - imports, len(measurement.strums))


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]))
