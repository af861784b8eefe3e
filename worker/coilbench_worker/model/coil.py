"""The electrical side of a passive pickup: source with R and L in series, shunted by capacitance and load.

    H(s) = 1 / [1 + R/R_L + s (L/R_L + R C) + s^2 L C]

Source: Kirchhoff's laws on that circuit; figures in tests/unit/model/test_coil.py. What the model leaves out: eddy
currents in covers and cores damp the peak more than R and R_L do, inductance falls with frequency, the coils of a pair
couple.
"""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from .types import ComplexArray, FloatArray


@dataclass(frozen=True)
class Coil:
    """One winding (or two in series, taken together): inductance in H, own capacitance in F, resistance in ohm."""

    inductance_h: float
    capacitance_f: float
    resistance_ohm: float


@dataclass(frozen=True)
class Load:
    """What hangs on the coil: pots and input in parallel, in ohm, and the cable's capacitance, in F."""

    resistance_ohm: float
    capacitance_f: float = 0.0


@dataclass(frozen=True)
class Resonance:
    """Second-order response of a loaded coil: gain at 0 Hz, natural frequency (rad/s) and damping ratio."""

    dc_gain: float
    natural_rad_per_s: float
    damping: float

    @property
    def natural_hz(self) -> float:
        """Natural frequency, Hz."""
        return self.natural_rad_per_s / (2 * pi)

    @property
    def peak_hz(self) -> float | None:
        """Frequency of the highest response, Hz; None where the response only falls (damping of 1/sqrt 2 or more)."""
        if self.damping >= 1 / sqrt(2):
            return None
        return self.natural_hz * sqrt(1 - 2 * self.damping**2)

    def at(self, s: ComplexArray) -> ComplexArray:
        """Response at complex frequencies `s` (rad/s), for instance that of a decaying mode; same shape as `s`."""
        w = self.natural_rad_per_s
        return self.dc_gain * w**2 / (s**2 + 2 * self.damping * w * s + w**2)

    def magnitude(self, frequency_hz: FloatArray) -> FloatArray:
        """Magnitude of the response re the source at steady `frequency_hz`; same shape."""
        return np.abs(self.at(2j * pi * frequency_hz.astype(np.complex128)))

    def poles(self) -> tuple[complex, complex]:
        """The two poles, rad/s. Kept apart by 1e-6 of their size where they would coincide."""
        damping = self.damping if abs(self.damping - 1) > 1e-12 else 1 + 1e-12
        root = complex(damping**2 - 1) ** 0.5
        return self.natural_rad_per_s * (-damping + root), self.natural_rad_per_s * (-damping - root)

    def residues(self) -> tuple[complex, complex]:
        """Residues of the two poles: H(s) = r1/(s - p1) + r2/(s - p2)."""
        first, second = self.poles()
        residue = self.dc_gain * self.natural_rad_per_s**2 / (first - second)
        return residue, -residue


def resonance(coil: Coil, load: Load) -> Resonance:
    """Response of a coil with its load.

    Parameters
    ----------
    coil : inductance_h > 0, resistance_ohm >= 0
    load : resistance_ohm > 0; its capacitance adds to the coil's, and the sum must be > 0

    Returns
    -------
    Resonance : re the voltage induced in the coil

    Raises
    ------
    ValueError : a value outside those ranges
    """
    capacitance = coil.capacitance_f + load.capacitance_f
    if coil.inductance_h <= 0 or capacitance <= 0 or coil.resistance_ohm < 0 or load.resistance_ohm <= 0:
        raise ValueError(
            f"A coil needs L > 0, C > 0, R >= 0 and a load > 0 ohm; got L {coil.inductance_h} H, C {capacitance} F, "
            f"R {coil.resistance_ohm} ohm, load {load.resistance_ohm} ohm."
        )
    ratio = 1 + coil.resistance_ohm / load.resistance_ohm
    stored = coil.inductance_h * capacitance
    lost = coil.inductance_h / load.resistance_ohm + coil.resistance_ohm * capacitance
    return Resonance(
        dc_gain=1 / ratio,
        natural_rad_per_s=sqrt(ratio / stored),
        damping=lost / (2 * sqrt(stored * ratio)),
    )
