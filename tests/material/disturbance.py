"""What happens around the strums: a hand on the guitar, an uneven rhythm."""

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.model.strum import OPEN_CHORD, Strum

from .addition import added

THUMP_S = 0.6


def thump(rate_hz: int, *, hz: float) -> NDArray[np.float64]:
    """A handling thump: one low frequency, rising in 8 ms, gone in 150 ms; peak 1; shape (0.6 s,)."""
    since = np.arange(round(THUMP_S * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * hz * since) * (1 - np.exp(-since / 0.008)) * np.exp(-since / 0.04)
    return np.asarray(wave / np.max(np.abs(wave)))


def thumps(
    frames: int, rate_hz: int, times_s: tuple[float, ...], peak_db: float, reference: float
) -> NDArray[np.float64]:
    """Handling thumps of 45-70 Hz; peak `peak_db` re `reference`; shape (frames,)."""
    sounds = [(start_s, thump(rate_hz, hz=45 + 12 * number)) for number, start_s in enumerate(times_s)]
    return added(np.zeros(frames), rate_hz, sounds, peak_db=peak_db, reference=reference)


def fast_hand(*, seed: int, count: int = 12) -> tuple[Strum, ...]:
    """Down and up strokes with gaps of 0.25-0.6 s, each within 5 dB of the others."""
    random = np.random.default_rng([seed, 77])
    onsets_s = 0.5 + np.concatenate(([0.0], np.cumsum(random.uniform(0.25, 0.6, count - 1))))
    return tuple(
        Strum(
            float(onset_s),
            OPEN_CHORD,
            float(random.uniform(0.01, 0.05)),
            "up" if index % 2 else "down",
            float(random.uniform(-2.5, 2.5)),
            seed=seed * 100 + index,
        )
        for index, onset_s in enumerate(onsets_s)
    )
