"""What stands between coil and amplifier: volume pot, tone pot with its capacitor, cable, input.

    coil ─┬───────┬── upper part of the volume pot ──┬──────┬───────┬── out
          │       │                                  │      │       │
         own C   tone pot and capacitor         lower part  cable   input
          │       │                                  │      │       │

Conventions: positions are shares of the resistance, 0 to 1, linear in ohm; 1 is fully up. A tone pot without a
capacitor is a plain resistor to ground, as at high frequencies, where its capacitor is as good as a wire.

Source: Kirchhoff's laws. Accuracy: 1e-5 of a nodal solution, tests/unit/coil/test_controls.py.
"""

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np
from numpy.polynomial import polynomial as poly

from .circuit import Load, in_parallel
from .combination import Source
from .transfer import Transfer
from .types import FloatArray, Polynomial


@dataclass(frozen=True)
class Controls:
    """Pots in ohm (inf: not there), their positions, the tone capacitor in F (None: not there).

    `resistance_ohm` and `capacitance_f`: all that hangs on the output, inputs and cable.
    """

    volume_ohm: float = inf
    volume_position: float = 1.0
    tone_ohm: float = inf
    tone_position: float = 1.0
    tone_capacitor_f: float | None = None
    resistance_ohm: float = inf
    capacitance_f: float = 0.0

    def __post_init__(self) -> None:
        """Raise ValueError where a value is out of range."""
        for name in ("volume_ohm", "tone_ohm", "resistance_ohm"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be > 0, inf where nothing is there; got {getattr(self, name)}.")
        for name in ("volume_position", "tone_position"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be between 0 and 1; got {getattr(self, name)}.")
        if not (isfinite(self.capacitance_f) and self.capacitance_f >= 0):
            raise ValueError(f"capacitance_f must be >= 0; got {self.capacitance_f}.")
        if self.tone_capacitor_f is not None and not (isfinite(self.tone_capacitor_f) and self.tone_capacitor_f > 0):
            raise ValueError(f"tone_capacitor_f must be > 0 or None; got {self.tone_capacitor_f}.")
        if self.tone_capacitor_f is None and self.tone_position == 0 and isfinite(self.tone_ohm):
            raise ValueError("A tone pot at 0 without a capacitor is a short circuit; give tone_capacitor_f.")

    @property
    def tone_path_ohm(self) -> float:
        """What is left of the tone pot at its position, ohm; inf without one."""
        return self.tone_ohm * self.tone_position if isfinite(self.tone_ohm) else inf

    @property
    def simple(self) -> Load | None:
        """The plain load that all this is, in parallel; None where volume or capacitor make more of it."""
        between = isfinite(self.volume_ohm) and self.volume_position < 1
        if between or (self.tone_capacitor_f is not None and isfinite(self.tone_ohm)):
            return None
        return Load(in_parallel(self.volume_ohm, self.tone_path_ohm, self.resistance_ohm), self.capacitance_f)


@dataclass(frozen=True)
class Responses:
    """What the coils give through their controls: from the strings, and from a mains field."""

    string: Transfer
    hum: Transfer


def loaded(source: Source, controls: Controls) -> Responses:
    """Response of coils with everything behind them.

    Parameters
    ----------
    source : the coils together, from `combination`
    controls : their load

    Returns
    -------
    Responses : re the voltage induced in one coil

    Raises
    ------
    ValueError : no capacitance anywhere, so that there is no resonance
    """
    scale = source.scale_rad_per_s
    if len(np.trim_zeros(np.array(source.denominator), "b")) < 2 and controls.capacitance_f == 0:
        raise ValueError("A resonance needs capacitance: the coil's own, a cable's, or an input's; all are 0.")
    passed, across, through = _ladder(controls, scale)
    denominator = poly.polyadd(poly.polymul(source.denominator, through), poly.polymul(source.impedance, across))
    string, hum = (poly.polymul(emf, passed) for emf in (source.string, source.hum))
    return Responses(_transfer(string, denominator, scale), _transfer(hum, denominator, scale))


def _ladder(controls: Controls, scale: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n, y, d): the output over the coil's terminals is n/d, the admittance that the coil sees y/d."""
    position = controls.volume_position if isfinite(controls.volume_ohm) else 1.0
    upper_ohm = (1 - position) * controls.volume_ohm if position < 1 else 0.0
    tone_ohm = controls.tone_path_ohm
    capacitor = controls.tone_capacitor_f
    if isfinite(tone_ohm) and capacitor is not None:
        tone_down = np.array([1.0, capacitor * tone_ohm * scale])
        tone_up = np.array([0.0, capacitor * scale])
    else:
        tone_down = np.array([1.0])
        tone_up = np.array([1 / tone_ohm])
    if position == 0:  # the output is at ground, and the whole pot hangs on the coil
        across = poly.polyadd(tone_down / controls.volume_ohm, tone_up)
        return np.array([0.0]), across, tone_down
    lower_ohm = position * controls.volume_ohm
    output = np.array([1 / in_parallel(lower_ohm, controls.resistance_ohm), controls.capacitance_f * scale])
    divided = poly.polyadd([1.0], upper_ohm * output)
    across = poly.polyadd(poly.polymul(output, tone_down), poly.polymul(tone_up, divided))
    return tone_down, across, poly.polymul(divided, tone_down)


def _transfer(numerator: Polynomial, denominator: Polynomial, scale: float) -> Transfer:
    """Both cut to the powers that are there."""
    top = np.trim_zeros(numerator, "b")
    return Transfer(
        tuple(float(value) for value in top) if top.size else (0.0,),
        tuple(float(value) for value in np.trim_zeros(denominator, "b")),
        scale,
    )
