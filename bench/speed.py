"""Time to measure one take, against the floor and against a route through libraries."""

import time
from collections.abc import Callable
from pathlib import Path

from bench.figure import Figure
from bench.floor import floor
from bench.library_route import library_route
from bench.material import STRUMS, TAKE_S
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.results import TakeMeasurement
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.take import measure_take

ROUNDS = 7
FLOOR_AIM, LIBRARY_AIM = 2.0, 0.5


def measured(path: Path) -> TakeMeasurement:
    """Measure a file as a worker does."""
    with open_recording(path) as recording:
        return measure_take(recording, recording.facts, MeasureSettings())


def speed(path: Path) -> list[Figure]:
    """Figures of speed for the take in `path`."""
    found = len(measured(path).strums)
    ways: dict[str, Callable[[Path], object]] = {"measure": measured, "floor": floor, "library": library_route}
    least = dict.fromkeys(ways, float("inf"))
    for way in ways.values():
        way(path)  # imports, compilations and the file cache are not what is measured
    for _ in range(ROUNDS):
        for name, way in ways.items():
            start = time.perf_counter()
            way(path)
            least[name] = min(least[name], time.perf_counter() - start)
    note = f"{TAKE_S} s, 48 kHz, 24 bits, {STRUMS} strums ({found} found); least of {ROUNDS} interleaved runs"
    return [
        Figure("speed", "measuring one take", 1000 * least["measure"], "ms", note=note),
        Figure("speed", "floor", 1000 * least["floor"], "ms", note="decode + two-section IIR + one FFT"),
        Figure(
            "speed", "library route", 1000 * least["library"], "ms", note="onsets, centroid, RMS, loudness, 4x peak"
        ),
        Figure("speed", "measuring over floor", least["measure"] / least["floor"], "x", FLOOR_AIM),
        Figure("speed", "measuring over library route", least["measure"] / least["library"], "x", LIBRARY_AIM),
    ]
