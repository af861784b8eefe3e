"""Ways to alter a pickup electrically, and what the model of coil and load says of each: turns, pots, cable.

What a way does is reckoned on the measured octaves: each is moved by what the model's response gains in it, so that the
figures are changes of the quantities that were measured. Turns change inductance with their square, resistance in
proportion and the voltage induced in proportion, which is more than a real coil gives; its own capacitance stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import fsum, isfinite, log10

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.coil.circuit import Coil, Load, in_parallel, resonance
from coilbench_worker.measure.bands import BALANCE, OCTAVES, Band

POT_OHM = 250e3
OTHER_POTS_OHM = (250e3, 500e3)
INPUT_OHM = 1e6
CABLE_F = 470e-12
"""Pots, an input and a cable of four to five metres, where nothing is said: common practice, no source."""
MORE_TURNS, FEWER_TURNS = 1.2, 0.8
"""As much as a winder may be asked for on the same bobbin: common practice, no source."""
POINTS = 64
"""Of the response within an octave, evenly on a logarithmic scale: more move no figure by 0.01 dB."""
LEVEL = "rms_dbfs"
OCTAVE = "octave_db_"
PREDICTED = (LEVEL, *(f"{name}_db" for name in BALANCE), *(f"{OCTAVE}{band.nominal}" for band in OCTAVES))
"""Columns that the model can move: level, the balance, the octaves."""


@dataclass(frozen=True)
class Circuit:
    """A coil and what hangs on it, with all controls turned up."""

    coil: Coil
    volume_ohm: float = POT_OHM
    tone_ohm: float = POT_OHM
    input_ohm: float = INPUT_OHM
    cable_f: float = CABLE_F

    @property
    def load(self) -> Load:
        """All of it in parallel."""
        return Load(in_parallel(self.volume_ohm, self.tone_ohm, self.input_ohm), self.cable_f)

    def magnitude_db(self, hertz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Response, dB re the voltage induced; same shape as the frequencies."""
        levels: NDArray[np.float64] = 20.0 * np.log10(resonance(self.coil, self.load).magnitude(hertz))
        return levels

    def in_words(self) -> str:
        """What it is, and where it peaks."""
        coil, found = self.coil, resonance(self.coil, self.load)
        own_pf, cable_pf = coil.capacitance_f * 1e12, self.cable_f * 1e12
        peak = "no peak" if found.peak_hz is None else f"a peak at {found.peak_hz / 1000:.1f} kHz"
        return (
            f"{coil.inductance_h:.3g} H, {coil.resistance_ohm / 1000:.3g} kohm and {own_pf:.3g} pF, into pots of "
            f"{_kohm(self.volume_ohm)} (volume) and {_kohm(self.tone_ohm)} (tone), an input of "
            f"{_kohm(self.input_ohm)} and {cable_pf:.3g} pF of cable: {peak}"
        )


@dataclass(frozen=True)
class Way:
    """One way, and by how much it moves each column of `PREDICTED` that can be reckoned, dB."""

    what: str
    changes: Mapping[str, float]


def ways(circuit: Circuit, octaves_db: Mapping[str, float]) -> Iterator[Way]:
    """What can be altered.

    Parameters
    ----------
    circuit : as it is
    octaves_db : measured level of each octave by its nominal frequency, dB re their total; those that were lost in
        noise are not there and count as nothing
    """
    for times, what in ((MORE_TURNS, "a fifth more turns"), (FEWER_TURNS, "a fifth fewer turns")):
        yield Way(what, predicted(circuit, _with_turns(circuit, times), octaves_db, 20.0 * log10(times)))
    for ohm in OTHER_POTS_OHM:
        if {circuit.volume_ohm, circuit.tone_ohm} != {ohm} and isfinite(circuit.volume_ohm + circuit.tone_ohm):
            other = replace(circuit, volume_ohm=ohm, tone_ohm=ohm)
            yield Way(f"pots of {_kohm(ohm)}", predicted(circuit, other, octaves_db))
    if circuit.cable_f > 0.0:
        for times, what in ((0.5, "half the cable"), (2.0, "twice the cable")):
            other = replace(circuit, cable_f=times * circuit.cable_f)
            yield Way(what, predicted(circuit, other, octaves_db))


def predicted(
    before: Circuit, after: Circuit, octaves_db: Mapping[str, float], source_db: float = 0.0
) -> dict[str, float]:
    """Changes of level, balance and octaves, dB.

    Parameters
    ----------
    before, after : the circuit as it was when the octaves were measured, and altered
    octaves_db : as for `ways`
    source_db : by how much the voltage induced in the coil rises
    """
    gains = {band.nominal: _gain_db(before, after, band) for band in OCTAVES}
    old = {name: 10.0 ** (level / 10.0) for name, level in octaves_db.items() if name in gains}
    new = {name: energy * 10.0 ** (gains[name] / 10.0) for name, energy in old.items()}
    if not old:
        return {}
    total_db = _ratio_db(list(new.values()), list(old.values()))
    changes = {LEVEL: total_db + source_db}
    for name, (first, end) in BALANCE.items():
        there = [band.nominal for band in OCTAVES[first:end] if band.nominal in old]
        if there:
            changes[f"{name}_db"] = _ratio_db([new[key] for key in there], [old[key] for key in there]) - total_db
    return changes | {f"{OCTAVE}{name}": gains[name] - total_db for name in old}


def _gain_db(before: Circuit, after: Circuit, band: Band) -> float:
    """Gain of an octave, its energy taken to lie evenly on a logarithmic scale as it was measured."""
    edges = np.geomspace(band.low_hz, band.high_hz, POINTS + 1)
    hertz = np.sqrt(edges[:-1] * edges[1:])
    gains_db = after.magnitude_db(hertz) - before.magnitude_db(hertz)
    return 10.0 * log10(float(np.mean(10.0 ** (gains_db / 10.0))))


def _with_turns(circuit: Circuit, times: float) -> Circuit:
    coil = circuit.coil
    return replace(circuit, coil=Coil(coil.inductance_h * times**2, coil.capacitance_f, coil.resistance_ohm * times))


def _ratio_db(new: Sequence[float], old: Sequence[float]) -> float:
    return 10.0 * log10(fsum(new) / fsum(old))


def _kohm(ohm: float) -> str:
    return f"{ohm / 1e6:.3g} Mohm" if ohm >= 1e6 else f"{ohm / 1000:.3g} kohm"
