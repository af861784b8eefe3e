"""A pickup of the model: where its coils sit, how wide they look, what the coil does, and a preamp where there is a
battery.
"""

from dataclasses import dataclass

import numpy as np

from ..coil.circuit import Coil, Load, resonance
from . import strings
from .types import ComplexArray, FloatArray

POTS_AND_INPUT_OHM = 111_111.0
"""Two pots of 250 kohm and an input of 1 Mohm in parallel (common practice, no source)."""
CABLE_F = 470e-12
USUAL_LOAD = Load(POTS_AND_INPUT_OHM, CABLE_F)


@dataclass(frozen=True)
class Preamp:
    """Electronics inside a battery-powered pickup.

    The coil sees only the preamp's input, so its resonance lies above what the strings give: a flat response. Above
    `threshold_v` (RMS, at the output) a slow gain control gives back only 1/ratio of each further decibel: strums come
    out more even, and as it takes `attack_s` to act, each starts harder. `ceiling_v` rounds the peaks off.
    """

    gain_db: float
    ceiling_v: float = 4.2
    threshold_v: float = 0.5
    ratio: float = 1.4
    attack_s: float = 0.03
    release_s: float = 0.6


@dataclass(frozen=True)
class Pickup:
    """One pickup. `places_mm`: distance of each coil from the bridge; `sensitivity_v`: volts per unit of string
    velocity.
    """

    places_mm: tuple[float, ...]
    aperture_mm: float
    coil: Coil
    sensitivity_v: float = 1.0
    load: Load = USUAL_LOAD
    preamp: Preamp | None = None


def induced(
    pickup: Pickup, modes: strings.Modes, velocity: FloatArray, *, highest_hz: float
) -> tuple[ComplexArray, ComplexArray]:
    """Voltage at the pickup's passive output from one plucked string, as decaying exponentials.

    Exact: besides each string mode through the coil's response it holds the coil's own two poles, set off by the pluck.

    Parameters
    ----------
    pickup : its preamp is not part of this
    modes : shape (modes,)
    velocity : amplitude of each mode, from `strings.pluck`, shape (modes,)
    highest_hz : poles of the coil ringing above are left out, Hz

    Returns
    -------
    (amplitude, s) : complex, shape (modes + 2,) or less; the voltage is Re sum amplitude exp(s t), t >= 0, V
    """
    seen = np.zeros_like(velocity)
    for place_mm in pickup.places_mm:
        seen += strings.heard_at(modes, place_mm=place_mm, aperture_mm=pickup.aperture_mm)
    source = 1j * pickup.sensitivity_v * velocity * seen
    circuit = resonance(pickup.coil, pickup.load)
    amplitudes = [source * circuit.at(modes.s)]
    frequencies = [modes.s]
    for pole, residue in zip(circuit.poles(), circuit.residues(), strict=True):
        if abs(pole.imag) <= 2 * np.pi * highest_hz:
            amplitudes.append(np.array([np.sum(source * residue / (pole - modes.s))]))
            frequencies.append(np.array([pole]))
    return np.concatenate(amplitudes), np.concatenate(frequencies)
