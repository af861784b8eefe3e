"""One coil or two, in series or parallel, in phase or out of it, as one source with its own impedance.

Conventions: the source of every coil is 1 unless said otherwise; responses are re that. A string's voltage turns its
sign with the winding and with the magnet, that of a mains field with the winding only. So of two coils that are turned
round in both, the strings add and hum cancels; leads swapped (out of phase) do it the other way round. `coupling` is k
of the coils as connected: in series in phase L = L1 + L2 + 2 k sqrt(L1 L2). No coupling unless given.

Source: Kirchhoff's laws; Thevenin's theorem. Accuracy: 1e-5 of a nodal solution, tests/unit/coil/test_combination.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np
from numpy.polynomial import polynomial as poly

from .circuit import Coil
from .types import FloatArray, Polynomial

Connection = Literal["series", "parallel"]


@dataclass(frozen=True)
class WoundCoil:
    """One coil of a pickup. `source`: its voltage re one coil's; `winding`, `magnet`: direction, 1 or -1."""

    coil: Coil
    source: float = 1.0
    winding: int = 1
    magnet: int = 1

    @property
    def string(self) -> float:
        """Voltage from a string that moves over all coils alike."""
        return self.source * self.winding * self.magnet

    @property
    def hum(self) -> float:
        """Voltage from a mains field that is the same at all coils."""
        return self.source * self.winding


@dataclass(frozen=True)
class Source:
    """Open voltage and impedance of the coils together, over one denominator.

    Coefficients in powers of s / `scale_rad_per_s`, lowest first; `string` and `hum` re the source of one coil,
    `impedance` in ohm.
    """

    string: tuple[float, ...]
    hum: tuple[float, ...]
    impedance: tuple[float, ...]
    denominator: tuple[float, ...]
    scale_rad_per_s: float

    @property
    def resistance_ohm(self) -> float:
        """What an ohmmeter reads."""
        return self.impedance[0] / self.denominator[0]


def combined(
    coils: Sequence[WoundCoil], connection: Connection = "series", *, out_of_phase: bool = False, coupling: float = 0.0
) -> Source:
    """Put coils together.

    Parameters
    ----------
    coils : one or two
    connection : of two
    out_of_phase : the second one's leads are swapped
    coupling : k of the two as connected in phase, between -1 and 1

    Returns
    -------
    Source : what a load sees

    Raises
    ------
    ValueError : no coil or more than two, a value out of range, two coils in parallel without resistance
    """
    _check(coils, connection, coupling)
    scale = max(1 / sqrt(one.coil.inductance_h * _capacitance(one.coil)) for one in coils)
    if len(coils) == 1:
        (only,) = coils
        branch, own = _branch(only.coil, scale), _own(only.coil, scale)
        denominator = poly.polyadd([1.0], poly.polymul(branch, own))
        return Source((only.string,), (only.hum,), _tuple(branch), _tuple(denominator), scale)
    first, second = coils
    sign = -1.0 if out_of_phase else 1.0
    mutual = coupling * sqrt(first.coil.inductance_h * second.coil.inductance_h)
    branches = (_branch(first.coil, scale), _branch(second.coil, scale))
    owns = (_own(first.coil, scale), _own(second.coil, scale))
    put = _in_series if connection == "series" else _in_parallel
    emfs = ((first.string, second.string), (first.hum, second.hum))
    return put(emfs, branches, owns, np.array([0.0, mutual * scale]), sign, scale)


def one_coil(coils: Sequence[WoundCoil], connection: Connection, *, coupling: float = 0.0) -> Coil | None:
    """The single coil that two like ones, in phase, are together; None where they differ, and no single coil is.

    Parameters
    ----------
    coils, connection, coupling : as for `combined`
    """
    if len(coils) == 1:
        return coils[0].coil
    first, second = coils
    if first.coil != second.coil:
        return None
    inductance_h = 2 * first.coil.inductance_h * (1 + coupling)
    if connection == "series":
        return Coil(inductance_h, first.coil.capacitance_f / 2, 2 * first.coil.resistance_ohm)
    return Coil(inductance_h / 4, 2 * first.coil.capacitance_f, first.coil.resistance_ohm / 2)


Pair = tuple[FloatArray, FloatArray]
Emfs = tuple[tuple[float, float], tuple[float, float]]


def _in_series(emfs: Emfs, branch: Pair, own: Pair, mutual: FloatArray, sign: float, scale: float) -> Source:
    """v = (1 + Z Y)^-1 (e - Z p j): Z the branches with their mutual part, Y the own capacitances, p = (1, sign)."""
    a11 = poly.polyadd([1.0], poly.polymul(branch[0], own[0]))
    a22 = poly.polyadd([1.0], poly.polymul(branch[1], own[1]))
    a12, a21 = poly.polymul(mutual, own[1]), poly.polymul(mutual, own[0])
    weights = (poly.polysub(a22, sign * a21), poly.polysub(sign * a11, a12))  # p^T adj(1 + Z Y)
    fed = (poly.polyadd(branch[0], sign * mutual), poly.polyadd(mutual, sign * branch[1]))  # Z p
    denominator = poly.polysub(poly.polymul(a11, a22), poly.polymul(a12, a21))
    string, hum = (poly.polyadd(weights[0] * one, weights[1] * other) for one, other in emfs)
    impedance = poly.polyadd(poly.polymul(weights[0], fed[0]), poly.polymul(weights[1], fed[1]))
    return Source(_tuple(string), _tuple(hum), _tuple(impedance), _tuple(denominator), scale)


def _in_parallel(emfs: Emfs, branch: Pair, own: Pair, mutual: FloatArray, sign: float, scale: float) -> Source:
    """One node: p^T Z^-1 e = (p^T Z^-1 p + Y1 + Y2) v, with Z^-1 = adj Z / det Z."""
    determinant = poly.polysub(poly.polymul(branch[0], branch[1]), poly.polymul(mutual, mutual))
    weights = (poly.polysub(branch[1], sign * mutual), poly.polysub(sign * branch[0], mutual))  # p^T adj Z
    shared = poly.polyadd(weights[0], sign * weights[1])
    denominator = poly.polyadd(shared, poly.polymul(determinant, poly.polyadd(own[0], own[1])))
    string, hum = (poly.polyadd(weights[0] * one, weights[1] * other) for one, other in emfs)
    return Source(_tuple(string), _tuple(hum), _tuple(determinant), _tuple(denominator), scale)


def _branch(coil: Coil, scale: float) -> FloatArray:
    return np.array([coil.resistance_ohm, coil.inductance_h * scale])


def _own(coil: Coil, scale: float) -> FloatArray:
    return np.array([0.0, coil.capacitance_f * scale])


def _capacitance(coil: Coil) -> float:
    """For the scale only: some capacitance, also where the coil has none of its own."""
    return coil.capacitance_f or 1e-10


def _tuple(coefficients: Polynomial) -> tuple[float, ...]:
    return tuple(float(value) for value in np.atleast_1d(coefficients))


def _check(coils: Sequence[WoundCoil], connection: Connection, coupling: float) -> None:
    if not 1 <= len(coils) <= 2:
        raise ValueError(f"One coil or two can be put together; got {len(coils)}.")
    if connection not in ("series", "parallel"):
        raise ValueError(f"Coils are connected in series or parallel; got {connection!r}.")
    if not -1 < coupling < 1:
        raise ValueError(f"A coupling lies between -1 and 1; got {coupling}.")
    for one in coils:
        coil = one.coil
        if not (coil.inductance_h > 0 and coil.capacitance_f >= 0 and coil.resistance_ohm >= 0):
            raise ValueError(f"A coil needs L > 0, C >= 0 and R >= 0; got {coil}.")
        if one.winding not in (1, -1) or one.magnet not in (1, -1):
            raise ValueError(f"Directions of winding and magnet are 1 or -1; got {one.winding} and {one.magnet}.")
    if len(coils) == 2 and connection == "parallel" and not all(one.coil.resistance_ohm > 0 for one in coils):
        raise ValueError("Two coils in parallel need resistance, or a current without limit flows in their ring.")
