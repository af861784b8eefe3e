"""A loaded coil, closed form: source with R and L in series, shunted by capacitance and load.

    H(s) = 1 / [1 + R/R_L + s (L/R_L + R C) + s^2 L C]

Conventions: C is the coil's own and the cable's together, R_L all resistive loads in parallel; H is re the voltage
induced in the coil. Where a volume pot stands in between or a tone capacitor hangs on, the circuit has more than two
poles: `controls` has that one. What both leave out: `limits`.

Source: Kirchhoff's laws on that circuit; figures in tests/standards/test_coil_circuit.py.
"""

from dataclasses import dataclass
from math import hypot, inf, isfinite, log10, pi, sqrt

import numpy as np

from .types import ComplexArray, FloatArray

FLATTEST = 1 / sqrt(2)
"""Damping ratio from which on the response has no peak (maximally flat)."""
POLES_APART = 1e-12
"""Damping ratios nearer to 1 than this are moved away from it: two equal poles have no residues of their own."""


@dataclass(frozen=True)
class Coil:
    """One winding (or two in series, taken together): inductance in H, own capacitance in F, resistance in ohm."""

    inductance_h: float
    capacitance_f: float
    resistance_ohm: float


@dataclass(frozen=True)
class Load:
    """What hangs on the coil: pots and input in parallel, in ohm (inf: nothing), and the cable's capacitance, in F."""

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
    def q(self) -> float | None:
        """Quality factor, 1/(2 damping); None where nothing damps."""
        return 1 / (2 * self.damping) if self.damping > 0 else None

    @property
    def dc_db(self) -> float:
        """Level at 0 Hz, dB re the source."""
        return 20 * log10(self.dc_gain)

    @property
    def peak_hz(self) -> float | None:
        """Frequency of the highest response, Hz; None where the response only falls (damping of 1/sqrt 2 or more)."""
        if self.damping >= FLATTEST:
            return None
        return self.natural_hz * sqrt(1 - 2 * self.damping**2)

    @property
    def peak_db(self) -> float | None:
        """Height of that response, dB re the source; None where there is no peak, or nothing damps it."""
        if self.damping >= FLATTEST or self.damping == 0:
            return None
        return self.dc_db - 20 * log10(2 * self.damping * sqrt(1 - self.damping**2))

    @property
    def minus3db_hz(self) -> float:
        """Frequency at which the response has half the power it has at 0 Hz (3.01 dB below), Hz."""
        bend = 1 - 2 * self.damping**2
        root = bend + hypot(bend, 1) if bend >= 0 else 1 / (hypot(bend, 1) - bend)  # without cancellation
        return self.natural_hz * sqrt(root)

    def at(self, s: ComplexArray) -> ComplexArray:
        """Response at complex frequencies `s` (rad/s), for instance that of a decaying mode; same shape as `s`."""
        w = self.natural_rad_per_s
        return self.dc_gain * w**2 / (s**2 + 2 * self.damping * w * s + w**2)

    def magnitude(self, frequency_hz: FloatArray) -> FloatArray:
        """Magnitude of the response re the source at steady `frequency_hz`; same shape."""
        return np.abs(self.at(2j * pi * frequency_hz.astype(np.complex128)))

    def poles(self) -> tuple[complex, complex]:
        """The two poles, rad/s. Kept apart by 1e-6 of their size where they would coincide."""
        damping = self.damping if abs(self.damping - 1) > POLES_APART else 1 + POLES_APART
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
    load : resistance_ohm > 0, inf where nothing loads; its capacitance adds to the coil's, and the sum must be > 0

    Returns
    -------
    Resonance : re the voltage induced in the coil

    Raises
    ------
    ValueError : a value outside those ranges

    Source: see above. Accuracy: 1e-9 of a nodal solution, tests/unit/coil/test_circuit.py.
    """
    capacitance = coil.capacitance_f + load.capacitance_f
    sound = all(isfinite(value) for value in (coil.inductance_h, capacitance, coil.resistance_ohm))
    if (
        not sound
        or coil.inductance_h <= 0
        or capacitance <= 0
        or coil.resistance_ohm < 0
        or not load.resistance_ohm > 0
    ):
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


def in_parallel(*resistances_ohm: float) -> float:
    """Resistance of several in parallel, ohm; inf (no resistor) changes nothing, and none at all is inf.

    Parameters
    ----------
    resistances_ohm : each > 0

    Raises
    ------
    ValueError : one that is not > 0
    """
    if not all(each > 0 for each in resistances_ohm):
        raise ValueError(f"Resistors in parallel must be > 0 ohm; got {resistances_ohm}.")
    conductance = sum(1 / each for each in resistances_ohm)
    return 1 / conductance if conductance > 0 else inf
