"""Taps on the guitar's body, as somebody counts in before playing."""

import numpy as np
from numpy.typing import NDArray

LENGTH_S = 0.2
BODY_HZ = (90.0, 130.0, 190.0, 270.0, 400.0, 620.0)
"""Resonances of a body and its top, each moved by up to 15 % (common practice, no source)."""
CONTACT_S = 0.002


def tap(rate_hz: int, *, seed: int) -> NDArray[np.float64]:
    """A knock: low and middle resonances, each gone within 40-150 ms, after a dull contact of 2 ms; peak 1; shape
    (0.2 s,).
    """
    random = np.random.default_rng([seed, 62])
    since = np.arange(round(LENGTH_S * rate_hz)) / rate_hz
    sound = np.zeros_like(since)
    for number, body_hz in enumerate(BODY_HZ):
        wave = np.sin(2 * np.pi * body_hz * random.uniform(0.85, 1.15) * since + random.uniform(0, 2 * np.pi))
        sound += 10 ** (-2.5 * number / 20) * wave * np.exp(-since / random.uniform(0.006, 0.022))
    sound *= 1 - np.exp(-since / CONTACT_S)
    return np.asarray(sound / np.max(np.abs(sound)))


def count_in(
    rate_hz: int, *, count: int, first_strum_s: float, beat_s: float, seed: int
) -> list[tuple[float, NDArray[np.float64]]]:
    """Instants and sounds of `count` taps a beat apart, the last one beat before the first strum; those before the
    file are left out.
    """
    instants_s = [first_strum_s - beat_s * (count - number) for number in range(count)]
    return [
        (instant_s, tap(rate_hz, seed=10 * seed + number))
        for number, instant_s in enumerate(instants_s)
        if instant_s >= 0
    ]
