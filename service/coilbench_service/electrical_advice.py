"""Which way to go electrically where no pickup fits a wish: what the model of coil and load says, and no more."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import log10
from typing import Any

import numpy as np

from coilbench_worker.coil.circuit import Coil, Load, in_parallel, resonance
from coilbench_worker.compare.choice import Wish

POT_OHM, OTHER_POT_OHM, INPUT_OHM = 250e3, 500e3, 1e6
CABLE_F = 470e-12
"""Two pots, the input and a cable of 4 to 5 m: common practice, no source."""
TURNS = 1.2
"""A fifth more turns."""
MIDDLE_HZ, TREBLE_HZ = np.geomspace(355, 2818, 60), np.geomspace(2818, 11220, 60)
"""Octaves 500 Hz to 2 kHz, and 4 and 8 kHz (IEC 61260-1, band edges)."""
NEEDED = {"inductance_h": "inductance", "dcr_ohm": "resistance", "capacitance_pf": "capacitance"}
TOUCHED = ("rms_dbfs", "loudness_lufs", "treble_db", "centroid_hz", "tilt_db_per_octave")
LIMITS = (
    "The model knows nothing of string, magnet and place, and leaves out eddy currents and that inductance falls with "
    "frequency; an equal flux through every turn is taken for granted, so more level than this is not to be expected."
)


def advice(reference: str, sheet: Mapping[str, Any], wishes: Sequence[Wish]) -> list[str]:
    """Sentences about the reference's own coil; empty where the wish is of nothing that coil and load decide."""
    if not any(wish.quantity in TOUCHED for wish in wishes):
        return []
    missing = [name for field, name in NEEDED.items() if not sheet.get(field)]
    if missing:
        return [f"The sheet of {reference} gives no {' and no '.join(missing)}: the electrical model can't say a way."]
    return [*_ways(Coil(sheet["inductance_h"], sheet["capacitance_pf"] * 1e-12, sheet["dcr_ohm"])), LIMITS]


def _ways(coil: Coil) -> Iterator[str]:
    usual = _load(POT_OHM, CABLE_F)
    more = Coil(coil.inductance_h * TURNS**2, coil.capacitance_f, coil.resistance_ohm * TURNS)
    fewer = Coil(coil.inductance_h / TURNS**2, coil.capacitance_f, coil.resistance_ohm / TURNS)
    yield _way("a fifth more turns", _levels(more, usual, TURNS), _levels(coil, usual))
    yield _way("a sixth fewer turns", _levels(fewer, usual, 1 / TURNS), _levels(coil, usual))
    yield _way("500 kohm pots in place of 250", _levels(coil, _load(OTHER_POT_OHM, CABLE_F)), _levels(coil, usual))
    yield _way("half the cable", _levels(coil, _load(POT_OHM, CABLE_F / 2)), _levels(coil, usual))


def _load(pot_ohm: float, cable_f: float) -> Load:
    return Load(in_parallel(pot_ohm, pot_ohm, INPUT_OHM), cable_f)


def _levels(coil: Coil, load: Load, source: float = 1.0) -> tuple[float, float]:
    """Mean level of middle and treble for a flat source, dB."""
    found = resonance(coil, load)
    middle, treble = (10 * log10(float(np.mean(found.magnitude(hz) ** 2))) for hz in (MIDDLE_HZ, TREBLE_HZ))
    return middle + 20 * log10(source), treble + 20 * log10(source)


def _way(what: str, changed: tuple[float, float], now: tuple[float, float]) -> str:
    level = changed[0] - now[0]
    treble = changed[1] - now[1] - level
    return (
        f"By the model, {what}: {level:+.1f} dB of level in the middle, {treble:+.1f} dB of treble against the middle."
    )
