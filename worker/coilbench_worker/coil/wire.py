"""Copper wire: diameter by gauge, resistance of a winding at its temperature, and how far the wire may be off.

Conventions: the exact American wire gauge, d = 0.127 mm x 92^((36 - n)/39) (ASTM B258, through secondary texts; tables
round it to 0.1 mil, which moves the resistance by up to 2 %); copper of 1/58 ohm mm2/m at 20 C with 0.00393 per K
(IEC 60028, through secondary texts). The bounds are those of the wire alone: 8 % up to AWG 43 or 0.056 mm, 10 % for
thinner (winding-wire tables of ASTM and IEC 60317-0-1, through makers' data); turns and length are taken as given.
"""

from dataclasses import dataclass
from math import isfinite, pi

RESISTIVITY_OHM_MM2_PER_M = 1 / 58
COEFFICIENT_PER_K = 0.00393
REFERENCE_C = 20.0
THIN_MM = 0.056
TOLERANCE, THIN_TOLERANCE = 0.08, 0.10


@dataclass(frozen=True, slots=True)
class Winding:
    """Wire wound: bare diameter (mm), length (m), resistance (ohm) at its temperature and at 20 C, and the bounds that
    the wire's tolerance leaves at its temperature.
    """

    diameter_mm: float
    length_m: float
    resistance_ohm: float
    resistance_20c_ohm: float
    low_ohm: float
    high_ohm: float


def diameter_of_gauge(awg: float) -> float:
    """Bare diameter of a gauge, exact formula, mm; 0000 is -3. ValueError when not finite."""
    if not isfinite(awg):
        raise ValueError(f"a gauge is a number, not {awg}")
    return float(0.127 * 92.0 ** ((36.0 - awg) / 39.0))


def resistance_per_metre(diameter_mm: float) -> float:
    """Resistance of copper wire at 20 C, ohm per m; ValueError unless the diameter is > 0."""
    if not (isfinite(diameter_mm) and diameter_mm > 0):
        raise ValueError(f"a wire's diameter is greater than 0 mm, not {diameter_mm}")
    return RESISTIVITY_OHM_MM2_PER_M / (pi / 4 * diameter_mm**2)


def at_temperature(resistance_20c_ohm: float, temperature_c: float) -> float:
    """A resistance at 20 C as it is at another temperature, ohm.

    Raises
    ------
    ValueError : below the temperature at which the straight line comes to nothing (-234 C)
    """
    factor = 1 + COEFFICIENT_PER_K * (temperature_c - REFERENCE_C)
    if not (isfinite(factor) and factor > 0):
        raise ValueError(f"copper's straight line does not reach {temperature_c} C")
    return resistance_20c_ohm * factor


def winding(diameter_mm: float, turns: float, mean_turn_mm: float, temperature_c: float = REFERENCE_C) -> Winding:
    """Resistance of a winding.

    Parameters
    ----------
    diameter_mm : bare, > 0
    turns, mean_turn_mm : > 0; length of a turn halfway up the winding
    temperature_c : of the winding

    Raises
    ------
    ValueError : a value out of range
    """
    if not (isfinite(turns) and turns > 0 and isfinite(mean_turn_mm) and mean_turn_mm > 0):
        raise ValueError(f"turns and their length are greater than 0, not {turns} and {mean_turn_mm} mm")
    length_m = turns * mean_turn_mm / 1000
    cold = length_m * resistance_per_metre(diameter_mm)
    warm = at_temperature(cold, temperature_c)
    tolerance = THIN_TOLERANCE if diameter_mm < THIN_MM else TOLERANCE
    return Winding(diameter_mm, length_m, warm, cold, warm * (1 - tolerance), warm * (1 + tolerance))
