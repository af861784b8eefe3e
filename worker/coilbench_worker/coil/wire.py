"""Copper wire: diameter by gauge, resistance of a metre, temperature, and the resistance of a winding.

Conventions, each named where there are two:
- diameter by American wire gauge: the exact formula d = 0.127 mm x 92^((36 - n)/39), or that of tables, which round it
  to 0.1 mil up to No. 44 and to 0.01 mil beyond (ASTM B258, through secondary texts). They differ by 2 % of the
  resistance at most;
- resistivity at 20 C: 1/58 ohm mm2/m (IEC 60028, through secondary texts), or 1/58.5, the nominal one of enamelled
  winding wire (IEC 60317-0-1, through a maker's table);
- 0.00393 per K at 20 C (IEC 60028); makers of fine wire give 0.0039 to 0.0040.
"""

from dataclasses import dataclass
from math import isfinite, pi, sqrt
from typing import Literal

from .tolerance import bounds_ohm_per_m

RESISTIVITY_OHM_MM2_PER_M = 1 / 58
WINDING_WIRE_OHM_MM2_PER_M = 1 / 58.5
COEFFICIENT_PER_K = 0.00393
REFERENCE_C = 20.0
MIL_MM = 0.0254
LOWEST_AWG, HIGHEST_AWG = -3.0, 56.0
"""No. 0000 to 56, the range of the standard's tables."""
ROUNDED_TO_TENTHS = 44
"""Up to this number tables keep 0.1 mil, beyond it 0.01 mil."""

Diameters = Literal["exact", "rounded"]
Copper = Literal["iec-60028", "winding-wire"]
RESISTIVITY: dict[Copper, float] = {
    "iec-60028": RESISTIVITY_OHM_MM2_PER_M,
    "winding-wire": WINDING_WIRE_OHM_MM2_PER_M,
}


@dataclass(frozen=True, slots=True)
class Winding:
    """Wire wound: bare diameter (mm), length (m), resistance (ohm) at its temperature and at 20 C.

    `low_ohm`, `high_ohm`: what the wire's own tolerance leaves, at its temperature; None with a `reason` where no
    published one is known for this wire. `tolerance`: whose it is.
    """

    diameter_mm: float
    length_m: float
    resistance_ohm: float
    resistance_20c_ohm: float
    low_ohm: float | None
    high_ohm: float | None
    tolerance: str | None
    reason: str | None = None


def diameter_of_gauge(awg: float, convention: Diameters = "exact") -> float:
    """Bare diameter of an American wire gauge.

    Parameters
    ----------
    awg : -3 (No. 0000) to 56; a fraction lies between its neighbours, and only the exact convention knows it
    convention : exact, or rounded as tables have it

    Returns
    -------
    Diameter in mm

    Raises
    ------
    ValueError : outside that range, or a fraction under the rounded convention

    Source: ASTM B258. Accuracy: the five digits of tables, tests/standards/test_coil.py.
    """
    if not LOWEST_AWG <= awg <= HIGHEST_AWG:
        raise ValueError(f"A gauge lies between {LOWEST_AWG:g} (No. 0000) and {HIGHEST_AWG:g}; got {awg}.")
    exact_mm = float(0.127 * 92.0 ** ((36.0 - awg) / 39.0))
    if convention == "exact":
        return exact_mm
    if not float(awg).is_integer():
        raise ValueError(f"Tables with rounded diameters know whole gauges only; got {awg}.")
    digits = 1 if awg <= ROUNDED_TO_TENTHS else 2
    return round(exact_mm / MIL_MM, digits) * MIL_MM


def resistance_per_metre(diameter_mm: float, copper: Copper = "iec-60028") -> float:
    """Resistance of copper wire at 20 C, ohm per m.

    Parameters
    ----------
    diameter_mm : bare, > 0
    copper : which resistivity

    Raises
    ------
    ValueError : a diameter that is not > 0
    """
    if not (isfinite(diameter_mm) and diameter_mm > 0):
        raise ValueError(f"A wire's diameter must be > 0 mm; got {diameter_mm}.")
    return RESISTIVITY[copper] / (pi / 4 * diameter_mm**2)


def at_temperature(resistance_20c_ohm: float, temperature_c: float) -> float:
    """A resistance at 20 C as it is at another temperature, ohm.

    Raises
    ------
    ValueError : a temperature at which the straight line comes to nothing (-234 C and below)
    """
    return resistance_20c_ohm * _factor(temperature_c)


def at_20c(resistance_ohm: float, temperature_c: float) -> float:
    """A resistance that was measured at a temperature, as it is at 20 C, ohm; errors as `at_temperature`."""
    return resistance_ohm / _factor(temperature_c)


def winding(
    diameter_mm: float,
    turns: float,
    mean_turn_mm: float,
    temperature_c: float = REFERENCE_C,
    *,
    awg: float | None = None,
    copper: Copper = "iec-60028",
) -> Winding:
    """Resistance of a winding.

    Parameters
    ----------
    diameter_mm : bare, > 0
    turns, mean_turn_mm : > 0; length of a turn halfway up the winding, mm
    temperature_c : of the winding
    awg : the gauge where the wire has one, for its tolerance
    copper : which resistivity

    Raises
    ------
    ValueError : a value out of range

    Source: R = rho l / A. Accuracy: worked coils, tests/standards/test_coil.py.
    """
    length_m = _turns_and_length(turns, mean_turn_mm) / 1000
    cold_ohm = length_m * resistance_per_metre(diameter_mm, copper)
    warm_ohm = at_temperature(cold_ohm, temperature_c)
    bounds = bounds_ohm_per_m(diameter_mm, awg)
    low_ohm, high_ohm = (
        None if each is None else at_temperature(length_m * each, temperature_c) for each in (bounds.low, bounds.high)
    )
    return Winding(diameter_mm, length_m, warm_ohm, cold_ohm, low_ohm, high_ohm, bounds.rule, bounds.reason)


def turns_of(resistance_20c_ohm: float, diameter_mm: float, mean_turn_mm: float, copper: Copper = "iec-60028") -> float:
    """Turns of a winding from its resistance at 20 C and its mean turn.

    Parameters
    ----------
    resistance_20c_ohm, diameter_mm, mean_turn_mm : > 0, ohm and mm
    copper : which resistivity

    Raises
    ------
    ValueError : a value that is not > 0
    """
    if not (isfinite(resistance_20c_ohm) and resistance_20c_ohm > 0):
        raise ValueError(f"A winding's resistance must be > 0 ohm; got {resistance_20c_ohm}.")
    one_turn_m = _turns_and_length(1.0, mean_turn_mm) / 1000
    return resistance_20c_ohm / (resistance_per_metre(diameter_mm, copper) * one_turn_m)


def diameter_of_winding(
    resistance_20c_ohm: float, turns: float, mean_turn_mm: float, copper: Copper = "iec-60028"
) -> float:
    """Bare diameter that gives a winding its resistance, mm; parameters and errors as `turns_of`."""
    if not (isfinite(resistance_20c_ohm) and resistance_20c_ohm > 0):
        raise ValueError(f"A winding's resistance must be > 0 ohm; got {resistance_20c_ohm}.")
    length_m = _turns_and_length(turns, mean_turn_mm) / 1000
    return sqrt(RESISTIVITY[copper] * length_m / (pi / 4 * resistance_20c_ohm))


def _turns_and_length(turns: float, mean_turn_mm: float) -> float:
    if not (isfinite(turns) and turns > 0 and isfinite(mean_turn_mm) and mean_turn_mm > 0):
        raise ValueError(f"Turns and their mean length must be > 0; got {turns} and {mean_turn_mm} mm.")
    return turns * mean_turn_mm


def _factor(temperature_c: float) -> float:
    factor = 1 + COEFFICIENT_PER_K * (temperature_c - REFERENCE_C)
    if not (isfinite(factor) and factor > 0):
        raise ValueError(f"Copper's straight line does not reach {temperature_c} C.")
    return factor
