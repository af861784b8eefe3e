"""Peak memory of measuring a long recording, each in a process of its own."""

from pathlib import Path

from bench.figure import Figure
from bench.material import write_take
from bench.processes import number_from
from coilbench_worker.measure.source import FloatArray

MEMORY_AIM_MIB = 300.0
SHORT_MIN, LONG_MIN = 10, 60
GROWTH_AIM_MIB = 30.0  # own reading of "independent of the length"

CHILD = """
import sys
from pathlib import Path
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.take import measure_take
for path in sys.argv[1:]:
    with open_recording(path) as recording:
        measure_take(recording, recording.facts, MeasureSettings())
if sys.platform == "linux":  # ru_maxrss would count what the parent had when it started this process
    status = Path("/proc/self/status").read_text()
    print(int(status.split("VmHWM:")[1].split()[0]) / 1024)
else:
    import resource
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(peak / (1 << 20 if sys.platform == "darwin" else 1 << 10))
"""


def memory(folder: Path, samples: FloatArray) -> list[Figure]:
    """Figures of memory; the files are made in `folder`."""
    baseline = number_from(CHILD)
    peaks = {}
    for minutes in (SHORT_MIN, LONG_MIN):
        path = write_take(folder / f"{minutes}-minutes.wav", samples, minutes=minutes)
        peaks[minutes] = number_from(CHILD, path) - baseline
        path.unlink()
    short, long = peaks[SHORT_MIN], peaks[LONG_MIN]
    note = f"48 kHz, 24 bits; above the {baseline:.0f} MiB of a process that only imports"
    return [
        Figure("memory", f"peak for {SHORT_MIN} minutes", short, "MiB", MEMORY_AIM_MIB, note),
        Figure("memory", f"peak for {LONG_MIN} minutes", long, "MiB", MEMORY_AIM_MIB, note),
        Figure("memory", "growth between the two", long - short, "MiB", GROWTH_AIM_MIB, "own reading of: no growth"),
    ]
