"""Where the time of measuring one take goes: by module of the program, libraries counted with the module that calls."""

import cProfile
import pstats
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

from bench.figure import Figure
from bench.speed import measured

ROUNDS = 5
LEAST_SHARE = 0.01
ROOMS = ("measure", "audio")

_Key = tuple[str, int, str]


def profile(path: Path) -> list[Figure]:
    """Milliseconds of each module for the take in `path`: the run of `ROUNDS` that took least, under a profiler."""
    measured(path)  # imports and first-time tables are not what is looked at
    runs = [_run(path) for _ in range(ROUNDS)]
    best = min(runs, key=lambda run: sum(run.values()))
    whole = sum(best.values())
    shown = sorted((item for item in best.items() if item[1] >= LEAST_SHARE * whole), key=lambda item: -item[1])
    rest = whole - sum(seconds for _, seconds in shown)
    figures = [Figure("profile", "measuring one take", 1000 * whole, "ms", note="under a profiler")]
    figures += [Figure("profile", name, 1000 * seconds, "ms", note=_share(seconds, whole)) for name, seconds in shown]
    return [*figures, Figure("profile", "all others", 1000 * rest, "ms", note=_share(rest, whole))]


def _run(path: Path) -> dict[str, float]:
    """Seconds by module, what other modules of the program do on its call left out."""
    profiler = cProfile.Profile()
    profiler.runcall(measured, path)
    entries: Mapping[_Key, tuple[int, int, float, float, Mapping[_Key, tuple[int, int, float, float]]]]
    entries = pstats.Stats(profiler).stats  # type: ignore[attr-defined]
    seconds: dict[str, float] = defaultdict(float)
    for function, (_, _, _, inclusive, callers) in entries.items():
        callee = _module(function)
        if callee is None:
            continue
        seconds[callee] += inclusive
        for caller, figures in callers.items():
            name = _module(caller)
            if name is not None:
                seconds[name] -= figures[3]
    return dict(seconds)


def _module(function: _Key) -> str | None:
    """Name of the module of ours that holds a function, such as measure.survey; None for a library's."""
    path = Path(function[0])
    if path.parent.parent.name != "coilbench_worker" or path.parent.name not in ROOMS:
        return None
    return f"{path.parent.name}.{path.stem}"


def _share(seconds: float, whole: float) -> str:
    return f"{100 * seconds / whole:.0f} %"
