"""A response as a ratio of two polynomials, and what is read from it: level at 0 Hz, peak, half power, ringing poles.

Conventions: real coefficients, lowest power first, of s / `scale_rad_per_s`; s in rad/s. Peak and half power are
bracketed on a row of frequencies and then solved for. The row is made from the poles, so that a narrow peak can't slip
through it.

Source: arithmetic. Accuracy: 1e-8 of the closed form of second order, tests/unit/coil/test_controls.py.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, inf, log10, pi

import numpy as np
from numpy.polynomial import polynomial as poly
from scipy.optimize import brentq

from .types import ComplexArray, FloatArray

NEARLY_REAL = 1e-7
"""A pole counts as real when its imaginary part is less than this share of it: a double one splits by about 1e-8."""
ABOVE_DC = 1e-9
"""A maximum must stand above the response at 0 Hz by this share of its square to be a peak, rounding apart."""
ENDLESS = 1e300
"""Stands for the power at a pole that nothing damps."""
UNDAMPED = 1e-12
"""Damping ratio below which poles lie on the imaginary axis, rounding apart."""
PER_DECADE = 30
"""Frequencies in the row. Away from a ringing pole the response bends over a third of a decade and more."""
BELOW, BEYOND = 1e-3, 10.0
"""The row goes from this share of the lowest pole or zero to this multiple of the highest: outside, nothing bends."""
WIDTHS = (-8.0, -3.0, -1.0, -0.3, 0.0, 0.3, 1.0, 3.0, 8.0)
"""Further frequencies around a ringing pole, in widths of its peak."""


@dataclass(frozen=True)
class Peak:
    """The highest response: its frequency, Hz, and height, dB re the source; None with a reason where there is none."""

    hz: float | None
    db: float | None
    reason: str | None = None


@dataclass(frozen=True)
class Ringing:
    """The least damped pair of complex poles: natural frequency, Hz, and damping ratio."""

    natural_hz: float
    damping: float


@dataclass(frozen=True)
class Transfer:
    """`numerator` over `denominator`, both in powers of s / `scale_rad_per_s`, lowest first."""

    numerator: tuple[float, ...]
    denominator: tuple[float, ...]
    scale_rad_per_s: float

    @property
    def silent(self) -> bool:
        """Whether nothing comes out at any frequency."""
        return not any(self.numerator)

    @property
    def dc_gain(self) -> float:
        """Gain at 0 Hz re the source; negative where coils against each other leave the second one's."""
        return self.numerator[0] / self.denominator[0]

    @property
    def dc_db(self) -> float | None:
        """Level at 0 Hz, dB re the source; None where nothing comes out there."""
        return 20 * log10(abs(self.dc_gain)) if self.dc_gain else None

    def at(self, s: ComplexArray) -> ComplexArray:
        """Response at complex frequencies `s`, rad/s; same shape."""
        scaled = s / self.scale_rad_per_s
        top, bottom = (poly.polyval(scaled, each) for each in (self.numerator, self.denominator))
        found: ComplexArray = np.divide(top, bottom, out=np.full_like(bottom, np.inf), where=bottom != 0)
        return found

    def magnitude(self, frequency_hz: FloatArray) -> FloatArray:
        """Magnitude re the source at steady `frequency_hz`; same shape."""
        return np.abs(self.at(2j * pi * frequency_hz.astype(np.complex128)))

    def level_db(self, frequency_hz: FloatArray) -> list[float | None]:
        """Level at each frequency, dB re the source; None where nothing comes out, or on a pole that nothing damps."""
        return [20 * log10(value) if 0 < value < inf else None for value in self.magnitude(frequency_hz).tolist()]

    def poles(self) -> list[complex]:
        """Poles, rad/s."""
        return [complex(root) * self.scale_rad_per_s for root in _roots(self.denominator)]

    def ringing(self) -> Ringing | None:
        """The pair of poles that rings longest for its frequency; None where no pole is complex."""
        pairs = [
            Ringing(abs(pole) / (2 * pi), max(-pole.real / abs(pole), 0.0))
            for pole in self.poles()
            if pole.imag > NEARLY_REAL * abs(pole)
        ]
        return min(pairs, key=lambda pair: pair.damping, default=None)

    def peak(self) -> Peak:
        """The highest response above 0 Hz, where it stands above that at 0 Hz."""
        if self.silent:
            return Peak(None, None, "Nothing comes out at any frequency.")
        ringing = self.ringing()
        if ringing is not None and ringing.damping < UNDAMPED:
            return Peak(ringing.natural_hz, None, "Nothing damps the resonance, so its height has no limit.")
        places = self._falling_through(self._slope, 0.0)
        if not places:
            return Peak(None, None, "The response only falls with frequency.")
        powers = [self._power(place) for place in places]
        height = max(powers)
        if height <= self.dc_gain**2 * (1 + ABOVE_DC):
            return Peak(None, None, "The response is nowhere higher than at 0 Hz.")
        return Peak(self._hz(places[powers.index(height)]), 10 * log10(height))

    def half_power_hz(self) -> float | None:
        """Lowest frequency at which the response has half the power it has at 0 Hz, Hz; None where that is nothing."""
        if not self.dc_gain:
            return None
        places = self._falling_through(self._power, self.dc_gain**2 / 2)
        return self._hz(min(places)) if places else None

    def _hz(self, place: float) -> float:
        return place * self.scale_rad_per_s / (2 * pi)

    def _power(self, place: float) -> float:
        """Square of the magnitude at a scaled frequency."""
        top, bottom = (complex(poly.polyval(1j * place, each)) for each in (self.numerator, self.denominator))
        return abs(top / bottom) ** 2 if bottom else ENDLESS

    def _slope(self, place: float) -> float:
        """Half the derivative of the logarithm of the power by that of the frequency."""
        s = 1j * place
        top, bottom = (
            complex(poly.polyval(s, poly.polyder(each)) / poly.polyval(s, each))
            for each in (self.numerator, self.denominator)
        )
        return (s * (top - bottom)).real

    def _falling_through(self, value: Callable[[float], float], level: float) -> list[float]:
        """Scaled frequencies at which a value comes from above a level to below it, in order."""
        row = self._row()
        above = [value(place) > level for place in row]
        return [
            float(brentq(lambda place: value(place) - level, row[at], row[at + 1], xtol=1e-14, rtol=1e-13))
            for at in range(len(row) - 1)
            if above[at] and not above[at + 1]
        ]

    def _row(self) -> list[float]:
        """Scaled frequencies, rising, between any two neighbours of which the response does at most one thing."""
        bends = [_roots(each) for each in (self.numerator, self.denominator)]
        sizes = np.abs(np.concatenate(bends))
        sizes = sizes[sizes > 0]
        low, high = BELOW * float(np.min(sizes)), BEYOND * float(np.max(sizes))
        count = ceil(PER_DECADE * log10(high / low)) + 1
        places = [np.geomspace(low, high, count)]
        places += [abs(pole) - pole.real * np.array(WIDTHS) for pole in bends[1] if pole.imag > 0]
        row = np.unique(np.concatenate(places))
        return [float(place) for place in row if place > 0]


def _roots(coefficients: Sequence[float]) -> ComplexArray:
    values = np.trim_zeros(np.asarray(coefficients, dtype=np.float64), "b")
    found: ComplexArray = poly.polyroots(values).astype(np.complex128) if values.size > 1 else np.empty(0, complex)
    return found
