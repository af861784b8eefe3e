"""What other turns on the same bobbin do: resistance, inductance, resonance, and the voltage that arrives at the load.

Conventions: inductance grows with the square of the turns and the voltage induced in the coil with the turns, as if
each caught as much as before; resistance grows faster than the turns, as outer turns are longer; own capacitance grows
with the mean turn (common practice, no source). Nothing else changes: wire, bobbin, magnet and load stay.
"""

from dataclasses import dataclass
from math import isfinite, log10

import numpy as np

from .bobbin import PACKING, Bobbin, wound
from .circuit import Coil
from .combination import WoundCoil, combined
from .controls import Controls, loaded
from .transfer import Transfer
from .types import FloatArray


@dataclass(frozen=True)
class Rewound:
    """The coil with other turns, and what becomes of its output.

    `source_db`: change of the voltage induced in it. `before`, `after`: responses, each re the source of the coil as it
    was, so that their difference is the change of the output.
    """

    coil: Coil
    turns: float
    resistance_ratio: float
    inductance_ratio: float
    capacitance_ratio: float
    source_db: float
    before: Transfer
    after: Transfer

    def change_db(self, frequency_hz: FloatArray) -> FloatArray:
        """By how much the output rises at each frequency, dB; same shape."""
        found: FloatArray = 20 * np.log10(self.after.magnitude(frequency_hz) / self.before.magnitude(frequency_hz))
        return found


def rewound(coil: Coil, controls: Controls, *, times: float, length_ratio: float | None = None) -> Rewound:
    """Give a coil other turns.

    Parameters
    ----------
    coil : as it is
    controls : its load, which stays
    times : the new turns re the old, > 0
    length_ratio : the new mean turn re the old, from `mean_turn_ratio`; None takes turns as long as before, which
        makes too little of the resistance

    Raises
    ------
    ValueError : a value out of range

    Source: physics of coils, see above. Accuracy: closed forms, tests/unit/coil/test_rewound.py.
    """
    longer = 1.0 if length_ratio is None else length_ratio
    if not (isfinite(times) and times > 0 and isfinite(longer) and longer > 0):
        raise ValueError(f"Turns and their length change by factors > 0; got {times} and {longer}.")
    other = Coil(coil.inductance_h * times**2, coil.capacitance_f * longer, coil.resistance_ohm * times * longer)
    before, after = (
        loaded(combined([WoundCoil(each, source)]), controls).string for each, source in ((coil, 1.0), (other, times))
    )
    return Rewound(
        coil=other,
        turns=times,
        resistance_ratio=times * longer,
        inductance_ratio=times**2,
        capacitance_ratio=longer,
        source_db=20 * log10(times),
        before=before,
        after=after,
    )


def mean_turn_ratio(
    bobbin: Bobbin,
    diameter_mm: float,
    turns: float,
    times: float,
    *,
    overall_mm: float | None = None,
    packing: float = PACKING,
) -> float:
    """The mean turn of `times` the turns on a bobbin, re that of the turns; parameters as for `bobbin.wound`."""
    before, after = (
        wound(bobbin, diameter_mm, count, overall_mm=overall_mm, packing=packing) for count in (turns, turns * times)
    )
    return after.mean_turn_mm / before.mean_turn_mm
