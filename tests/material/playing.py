"""Playing a row of strums by a human hand, on modelled strings or with recorded notes."""

from typing import Any

import numpy as np

from coilbench_worker.coil.circuit import Coil, Load
from coilbench_worker.model import strings
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.pickup import Pickup, Preamp
from coilbench_worker.model.strum import OPEN_CHORD, Strum
from coilbench_worker.model.take import Take, render

from . import recorded
from .case import FloatArray

Made = tuple[FloatArray, int, tuple[float, ...]]
"""Samples (n,), their rate in Hz, and the onsets in s."""

SINGLE = Pickup((150.0,), 14.0, Coil(2.4, 110e-12, 6000.0), sensitivity_v=0.6)
TWIN = Pickup((35.0, 53.0), 12.0, Coil(5.2, 140e-12, 9000.0), sensitivity_v=0.6)
BATTERY = Pickup((35.0, 53.0), 12.0, Coil(1.2, 90e-12, 2500.0), 0.25, Load(1e6, 30e-12), Preamp(18.0))
QUIET = Chain()
BARRE: tuple[int | None, ...] = (3, 5, 5, 4, 3, 3)
MINOR: tuple[int | None, ...] = (None, 0, 2, 2, 1, 0)
THREE_HIGH: tuple[int | None, ...] = (None, None, None, 0, 1, 0)
EIGHT: tuple[int | None, ...] = (0, 2, 2, 2, 4, 4, 5, 5)
EIGHT_LOW: tuple[int | None, ...] = (0, 2, 2, None, None, None, None, None)


def hands(
    count: int,
    gap_s: float,
    *,
    first_s: float = 0.6,
    seed: int = 1,
    frets: tuple[int | None, ...] = OPEN_CHORD,
    strokes: str = "d",
    spread_s: float = 0.03,
    forces_db: tuple[float, ...] = (0.0,),
    stop_after_s: float | None = None,
    jitter_s: float = 0.02,
    **rest: Any,
) -> tuple[Strum, ...]:
    """`count` strums `gap_s` apart by a human hand: instants, places and forces vary a little, drawn from `seed`."""
    random = np.random.default_rng([seed, 99])
    played = []
    for index in range(count):
        onset_s = first_s + index * gap_s + (random.uniform(-jitter_s, jitter_s) if index else 0.0)
        strings_db = tuple(random.normal(0, 1.0, len(frets)))
        played.append(
            Strum(
                onset_s,
                frets,
                spread_s * random.uniform(0.9, 1.1),
                "up" if strokes[index % len(strokes)] == "u" else "down",
                forces_db[index % len(forces_db)] + random.normal(0, 0.5),
                pick_mm=130 + random.normal(0, 8),
                stop_s=None if stop_after_s is None else onset_s + stop_after_s,
                string_force_db=strings_db,
                seed=seed * 100 + index,
                **rest,
            )
        )
    return tuple(played)


def modelled(
    strums: tuple[Strum, ...],
    *,
    rate_hz: int = 48000,
    pickup: Pickup = SINGLE,
    chain: Chain = QUIET,
    strung: tuple[strings.String, ...] = strings.SIX_STRINGS,
    tail_s: float = 3.0,
) -> Made:
    take = Take(pickup, strums, strums[-1].onset_s + tail_s, strung, chain, seed=len(strums))
    return render(take, rate_hz).samples, rate_hz, tuple(strum.onset_s for strum in strums)


def from_notes(strums: tuple[Strum, ...], *, tail_s: float = 3.0, chain: Chain = QUIET, **rest: Any) -> Made:
    return recorded.strummed(strums, duration_s=strums[-1].onset_s + tail_s, chain=chain, **rest)
