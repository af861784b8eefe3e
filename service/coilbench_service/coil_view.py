"""A coil from request to answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import inf, log10
from typing import Any

import numpy as np

from coilbench_worker.coil.circuit import Coil, Load, in_parallel, resonance
from coilbench_worker.coil.wire import diameter_of_gauge, winding

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
RESISTORS = ("volume_pot_ohm", "tone_pot_ohm", "input_ohm", "resistance_ohm")
PICO = 1e-12
CIRCUIT_LIMITS = (
    "Eddy currents in covers, cores and plates damp the peak more than resistance and load do: a real one is lower.",
    "Inductance falls with frequency and the two coils of a pair couple; the model takes one value for all.",
    "The source is the same at all frequencies: string, pick, place and magnet are not in it. Pots are turned up full.",
)
WIRE_LIMITS = (
    "low_ohm and high_ohm hold the tolerance of the wire alone; winding stretches it, and layers lie unevenly.",
)


def answer(asked: Mapping[str, Any]) -> dict[str, Any]:
    """The loaded coil, the winding, or both, as JSON values.

    Parameters
    ----------
    asked : a checked request: coil, load, wire, points
    """
    found: dict[str, Any] = {"limits": []}
    if asked["coil"] is not None:
        found["limits"] += CIRCUIT_LIMITS
        found |= _response(asked["coil"], asked["load"] or {}, asked["points"])
    if asked["wire"] is not None:
        found["limits"] += WIRE_LIMITS
        found["wire"] = _winding(asked["wire"])
    return found


def _response(coil: Mapping[str, float], load: Mapping[str, float | None], points: int) -> dict[str, Any]:
    resistors = [value for name in RESISTORS if (value := load.get(name)) is not None]
    hung = Load(in_parallel(*resistors) if resistors else inf, (load.get("cable_pf") or 0.0) * PICO)
    found = resonance(Coil(coil["inductance_h"], coil["capacitance_pf"] * PICO, coil["resistance_ohm"]), hung)
    hertz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, points)
    levels = (20 * log10(float(gain)) for gain in found.magnitude(hertz))
    return {
        "natural_hz": found.natural_hz,
        "damping": found.damping,
        "q": found.q,
        "dc_db": found.dc_db,
        "peak_hz": found.peak_hz,
        "peak_db": found.peak_db,
        "minus3db_hz": found.minus3db_hz,
        "response": [{"hz": float(hz), "db": db} for hz, db in zip(hertz, levels, strict=True)],
    }


def _winding(wire: Mapping[str, Any]) -> dict[str, Any]:
    diameter_mm = wire["diameter_mm"] if wire["awg"] is None else diameter_of_gauge(wire["awg"])
    return asdict(winding(diameter_mm, wire["turns"], wire["mean_turn_mm"], wire["temperature_c"]))
