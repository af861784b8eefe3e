"""From what a winder does to what the model plays: turns, wire, build, magnet and plate become R, L, volts and hum.

What follows from physics: resistance from the wire's length; inductance and the voltage of a coil from its turns; two
coils whose windings and magnets are both turned round add the strings and cancel the hum. What is put in by hand says
so below: common practice, no source.
"""

from dataclasses import dataclass, field
from math import sqrt

from ..coil.circuit import Coil, Load
from ..coil.wire import diameter_of_gauge, winding
from .pickup import USUAL_LOAD, Pickup, Preamp

VOLTS_PER_TURN = 2.06e-5
"""Of a coil with an alnico 5 magnet, per unit of string velocity; by hand: gives a plain single coil some 160 mV."""
CAUGHT_EXPONENT, CAUGHT_TURNS = 0.85, 7800
"""Outer turns lie farther from the poles and catch less: the voltage goes with turns to the power 0.85. Common practice
says less than in proportion; the number is by hand.
"""
HUM_VOLTS_PER_TURN = 6.3e-8
"""Mains field at the bench, RMS; by hand."""
COILS_UNLIKE = 0.02
"""Two coils of a pair differ by so much of their turns: what is left of the hum. By hand."""

MAGNETS = {"alnico 3": 0.75, "alnico 2": 0.87, "alnico 5": 1.0, "alnico 8": 1.2, "ceramic": 1.4}
"""Strength re alnico 5. The order, weak to strong, is common practice, no source; the numbers are by hand."""
PLATES = {"none": (1.0, 1.0), "brass": (1.0, 1.0), "nickel silver": (1.0, 1.0), "steel": (1.19, 1.08)}
"""Strength and inductance re no plate. Brass and nickel silver carry no magnetism, steel does and adds strength: common
practice, no source; the numbers are by hand.
"""
CLOSENESS = {"neck": (152.0, 1.0), "middle": (102.0, 1.16), "bridge": (42.0, 1.83)}
"""Distance from the bridge, mm, and strength re the neck: where the strings swing less the pickup is set closer, until
the places balance. Common practice, no source.
"""


@dataclass(frozen=True)
class Build:
    """How coils are put together.

    `offsets_mm`: where the coils that hear the strings lie, re the middle of the pickup. `wound` and `poled`: direction
    of winding and of magnet of every coil, 1 or -1; a coil that hears no string has a pole of 0. `core`: inductance of
    one coil, H per turn squared (by hand: common practice, no source).
    """

    name: str
    offsets_mm: tuple[float, ...]
    aperture_mm: float
    wound: tuple[int, ...]
    poled: tuple[int, ...]
    core_h_per_turn2: float

    @property
    def hum_coils(self) -> float:
        """Coils that a mains field sees, as many as do not cancel; a pair leaves what its coils differ by."""
        return max(float(abs(sum(self.wound))), COILS_UNLIKE if len(self.wound) > 1 else 0.0)

    @property
    def string_signs(self) -> tuple[int, ...]:
        """Direction of each hearing coil's voltage: winding times magnet."""
        return tuple(turn * pole for turn, pole in zip(self.wound, self.poled, strict=True) if pole)


SINGLE = Build("single coil", (0.0,), 14.0, (1,), (1,), 3.8e-8)
HUMBUCKER = Build("humbucker", (-9.0, 9.0), 12.0, (1, -1), (1, -1), 6.5e-8)
RAIL = Build("rail", (-5.0, 5.0), 6.0, (1, -1), (1, -1), 6.5e-8)
STACKED = Build("stacked", (0.0,), 14.0, (1, -1), (1, 0), 8.0e-8)


@dataclass(frozen=True)
class Winding:
    """A pickup to be wound. `turns`: of each coil; `housing`: strength left where a closed housing puts the coils
    deeper (by hand).
    """

    build: Build
    turns: int
    awg: float
    mean_turn_mm: float
    capacitance_pf: float
    magnet: str
    base_plate: str
    position: str
    preamp: Preamp | None = None
    load: Load = field(default=USUAL_LOAD)
    housing: float = 1.0

    @property
    def resistance_ohm(self) -> float:
        """DC resistance of all coils in series at 20 deg C, by the exact diameter of ASTM B258."""
        turns = len(self.build.wound) * self.turns
        return winding(diameter_of_gauge(self.awg), turns, self.mean_turn_mm).resistance_20c_ohm

    @property
    def inductance_h(self) -> float:
        """Of all coils in series; it grows with the square of the turns."""
        one = self.build.core_h_per_turn2 * self.turns**2
        return len(self.build.wound) * one * PLATES[self.base_plate][1]

    @property
    def sensitivity_v(self) -> float:
        """Voltage of one coil per unit of string velocity, V."""
        caught: float = self.turns**CAUGHT_EXPONENT * CAUGHT_TURNS ** (1 - CAUGHT_EXPONENT)
        strength = MAGNETS[self.magnet] * PLATES[self.base_plate][0] * CLOSENESS[self.position][1] * self.housing
        return VOLTS_PER_TURN * caught * strength

    def hum_v(self) -> float:
        """Mains hum at the pickup's output, V RMS, through its load and its preamp."""
        gain = 10 ** (self.preamp.gain_db / 20) if self.preamp else 1.0
        divided = self.load.resistance_ohm / (self.load.resistance_ohm + self.resistance_ohm)
        return HUM_VOLTS_PER_TURN * self.turns * self.build.hum_coils * divided * gain

    def pickup(self) -> Pickup:
        """The pickup as the model plays it.

        Raises
        ------
        ValueError : coils whose strings' voltages cancel; the model does not play these
        """
        if len(set(self.build.string_signs)) != 1:
            raise ValueError(
                f"The coils of {self.build.name!r} cancel the strings: winding and magnet of one disagree."
            )
        place_mm, _ = CLOSENESS[self.position]
        return Pickup(
            tuple(place_mm + offset for offset in self.build.offsets_mm),
            self.build.aperture_mm,
            Coil(self.inductance_h, self.capacitance_pf * 1e-12, self.resistance_ohm),
            self.sensitivity_v,
            self.load,
            self.preamp,
        )


def together_v(*rms_v: float) -> float:
    """RMS of independent voltages together, V."""
    return sqrt(sum(value**2 for value in rms_v))
