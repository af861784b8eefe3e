"""The recordings that are measured: an invented guitar, played by the string model."""

from pathlib import Path

import numpy as np
import soundfile

from coilbench_worker.coil.circuit import Coil
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.model.pickup import Pickup
from coilbench_worker.model.strum import OPEN_CHORD, Strum
from coilbench_worker.model.take import Take, render

RATE_HZ = 48_000
TAKE_S = 60
STRUMS = 12
PICKUP = Pickup((150.0,), 14.0, Coil(2.4, 110e-12, 6000.0), sensitivity_v=0.6)


def one_take() -> FloatArray:
    """60 s with 12 strums, one channel, full scale = 1.0, peak at half of it, hiss 70 dB below; the same every time."""
    gap_s = TAKE_S / STRUMS
    strums = tuple(
        Strum(onset_s=1.0 + gap_s * number, frets=OPEN_CHORD, force_db=-0.5 * (number % 3), seed=number)
        for number in range(STRUMS)
    )
    clean = render(Take(PICKUP, strums, float(TAKE_S)), RATE_HZ).clean
    hiss = np.random.default_rng(2).standard_normal(len(clean)) * 1.6e-4
    return np.asarray(clean * (0.5 / np.max(np.abs(clean))) + hiss)


def write_take(path: Path, samples: FloatArray, *, minutes: int = 1, gain_db: float = 0.0) -> Path:
    """Write the take as 24-bit WAV, `minutes` times over."""
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_24") as file:
        for _ in range(minutes):
            file.write(samples * 10 ** (gain_db / 20))
    return path
