"""One strum as the player's hand makes it: which strings, when, how hard, which way, and how it is damped."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .types import FloatArray

OPEN_CHORD: tuple[int | None, ...] = (0, 2, 2, 1, 0, 0)
"""Frets of an E major chord from the lowest string up; None would leave a string out."""
POWER_CHORD: tuple[int | None, ...] = (0, 2, 2, None, None, None)


@dataclass(frozen=True)
class Strum:
    """One stroke.

    `onset_s` is the instant at which the pick leaves the first string (it is what the truth gives). `spread_s` is the
    time from the first string to the last. `palm_db_per_s` lies on the strings from the start; `stop_s` is the instant
    at which a hand stops them at `stop_db_per_s`. `click_db` is the noise of the pick touching the first string, re
    that string's peak, `click_lead_s` before the onset; None for none.
    """

    onset_s: float
    frets: tuple[int | None, ...] = OPEN_CHORD
    spread_s: float = 0.030
    stroke: Literal["down", "up"] = "down"
    force_db: float = 0.0
    pick_mm: float = 130.0
    pick_width_mm: float = 2.5
    palm_db_per_s: float = 0.0
    palm_db_per_s_per_khz: float = 0.0
    stop_s: float | None = None
    stop_db_per_s: float = 300.0
    click_db: float | None = None
    click_lead_s: float = 0.004
    string_force_db: tuple[float, ...] = ()
    seed: int = 0

    def string_onsets_s(self) -> dict[int, float]:
        """Instant at which each string is left, by string number (0 = lowest), s; uneven, drawn from `seed`."""
        played = [number for number, fret in enumerate(self.frets) if fret is not None]
        if self.stroke == "up":
            played.reverse()
        if len(played) < 2:
            return dict.fromkeys(played, self.onset_s)
        gaps = np.random.default_rng([self.seed, 1]).uniform(0.7, 1.3, len(played) - 1)
        times = np.concatenate(([0.0], np.cumsum(gaps) / np.sum(gaps))) * self.spread_s
        return {number: self.onset_s + float(time) for number, time in zip(played, times, strict=True)}

    def force_of(self, number: int) -> float:
        """Force on string `number`, dB re the model's unit pluck."""
        return self.force_db + (self.string_force_db[number] if self.string_force_db else 0.0)


def click(strum: Strum, times_s: FloatArray) -> FloatArray:
    """The pick touching the string: damped sines of 1.5-7 kHz gone within a few ms, peak near 1, at any instants
    `times_s`.
    """
    random = np.random.default_rng([strum.seed, 2])
    frequency_hz = random.uniform(1500, 7000, 24)
    phase = random.uniform(0, 2 * np.pi, 24)
    since = times_s - (strum.onset_s - strum.click_lead_s)
    started = since >= 0
    sound = np.zeros_like(times_s)
    rising = 1 - np.exp(-since[started] / 2e-4)
    waves = np.sin(2 * np.pi * frequency_hz[:, None] * since[started] + phase[:, None]).sum(axis=0)
    sound[started] = waves / 8 * rising * np.exp(-since[started] / 8e-4)
    return sound
