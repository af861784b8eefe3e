"""Digital silence: stretches of exact zeros, which a gate or an editor leaves, and no analogue chain does unless its
noise is far below the steps of the file (16 bits without dither: below some -106 dBFS).
"""

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.survey import Survey

LEAST_S = 0.040
"""Shorter runs of zeros are what a small noise looks like in 16 bits."""


def silent_stretches(course: Survey) -> list[tuple[int, int]]:
    """Runs of silent frames that last 40 ms or more, as frame ranges."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], course.silent.view(np.int8), [0]))))
    least = course.count(LEAST_S)
    return [
        (start, stop)
        for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        if stop - start >= least
    ]


def silent_frames(course: Survey) -> NDArray[np.bool_]:
    """Which frames lie in digital silence, shape (frames,)."""
    frames = np.zeros(course.frames, dtype=bool)
    for start, stop in silent_stretches(course):
        frames[start:stop] = True
    return frames
