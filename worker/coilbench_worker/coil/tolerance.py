"""How far a metre of winding wire may be off, by published bounds.

Two families: the least and greatest bare diameter of round AWG 40 to 44 (MW 1000, through two makers' data), with
copper of 1/58 ohm mm2/m; and for metric sizes from 0.050 to 0.100 mm the resistance bounds of IEC 60317-0-1 (through a
maker's table), which the rules here give to the digit. Wire outside has None, with the reason: other rules hold there,
and a made-up bound is worse than none.
"""

from dataclasses import dataclass
from math import pi

AWG_BOUNDS_MIL = {40: (3.0, 3.2), 41: (2.7, 2.9), 42: (2.4, 2.6), 43: (2.1, 2.3), 44: (1.9, 2.1)}
"""Least and greatest bare diameter, mil."""
MIL_MM = 0.0254
FINEST_MM, COARSEST_MM = 0.0495, 0.1005
"""Where the table that the rules were held against begins and ends: 0.050 to 0.100 mm, each as it rounds."""
NINE_PERCENT_BELOW_MM, EIGHT_PERCENT_BELOW_MM = 0.058, 0.065
"""Between 0.056 (9 %) and 0.060 (8 %), and between 0.063 (8 %) and 0.067 (diameter within 0.003 mm)."""
DIAMETER_WITHIN_MM = 0.003
NOMINAL, LEAST, GREATEST = 1 / 58.5, 1 / 59, 1 / 58
"""Resistivities of the metric table, ohm mm2/m."""
MW_1000 = "MW 1000, least and greatest bare diameter of the gauge"
IEC_60317 = "IEC 60317-0-1, resistance of its diameter"


@dataclass(frozen=True, slots=True)
class MetreBounds:
    """Least and greatest resistance at 20 C, ohm per m, and whose rule it is; None with a `reason` where unknown."""

    low: float | None
    high: float | None
    rule: str | None
    reason: str | None = None


def bounds_ohm_per_m(diameter_mm: float, awg: float | None = None) -> MetreBounds:
    """Bounds of a metre of wire at 20 C.

    Parameters
    ----------
    diameter_mm : bare, nominal, > 0
    awg : the gauge where the wire has one; whole gauges of 40 to 44 go by the gauge's own bounds

    Returns
    -------
    MetreBounds : with the rule, or the reason why there is none

    Source: see above. Accuracy: the digits of the tables, tests/standards/test_coil_wire.py.
    """
    if awg is not None and awg in AWG_BOUNDS_MIL:
        thin_mil, thick_mil = AWG_BOUNDS_MIL[int(awg)]
        return MetreBounds(_ohm(GREATEST, thick_mil * MIL_MM), _ohm(GREATEST, thin_mil * MIL_MM), MW_1000)
    if not FINEST_MM <= diameter_mm <= COARSEST_MM:
        reason = f"No published tolerance is at hand for wire of {diameter_mm:.4g} mm, only for 0.050 to 0.100 mm."
        return MetreBounds(None, None, None, reason)
    if diameter_mm >= EIGHT_PERCENT_BELOW_MM:
        thick, thin = diameter_mm + DIAMETER_WITHIN_MM, diameter_mm - DIAMETER_WITHIN_MM
        return MetreBounds(_ohm(LEAST, thick), _ohm(GREATEST, thin), IEC_60317)
    share = 0.09 if diameter_mm < NINE_PERCENT_BELOW_MM else 0.08
    nominal = _ohm(NOMINAL, diameter_mm)
    return MetreBounds(nominal * (1 - share), nominal * (1 + share), IEC_60317)


def _ohm(resistivity: float, diameter_mm: float) -> float:
    return resistivity / (pi / 4 * diameter_mm**2)
